"""Listening positions: audience areas of one seat, such as the place where the sound is mixed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..bands import SPEECH_MID
from ..results.interval import Interval, interval_of
from ..results.records import Results
from .quantities import STI
from .rows import mean_of_bands


@dataclass(frozen=True)
class PositionRow:
    """One listening position in one scenario."""

    position: str
    """Name of the audience area."""
    number: int
    """Of the scenario, from 1."""
    scenario: str
    sti: Interval
    gain: Interval | None
    """Of the STI against the scenario that it is compared with; None for the bare venue."""
    signal_to_noise: Interval
    """dB, mean of the octaves 500 Hz to 4 kHz; noise sources count at this place."""
    level: Interval
    """dB(A) of the programme."""


def position_rows(results: Results) -> list[PositionRow]:
    """Every scenario at every listening position; none where each audience area has several seats."""
    counts = np.bincount(results.area, minlength=len(results.area_names))
    if not (counts == 1).any():
        return []
    signal_to_noise = mean_of_bands(results.seats["signal_to_noise_ratio"], SPEECH_MID)
    rows = []
    for area in np.flatnonzero(counts == 1):
        seat = int(np.flatnonzero(results.area == area)[0])
        for i, record in enumerate(results.scenarios):
            compared = record.compare_with != i
            rows.append(
                PositionRow(
                    position=results.area_names[area],
                    number=i + 1,
                    scenario=record.name,
                    sti=interval_of(results.seats[STI], (seat, i)),
                    gain=interval_of(results.gains[STI], (seat, i)) if compared else None,
                    signal_to_noise=interval_of(signal_to_noise, (seat, i)),
                    level=interval_of(results.seats["a_weighted_level"], (seat, i)),
                )
            )
    return rows
