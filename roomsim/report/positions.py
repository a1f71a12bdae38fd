"""Listening positions: audience areas of one seat, such as the place where the sound is mixed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..bands import SPEECH_MID
from ..estimate import Estimate
from ..study.results import Results
from .quantities import STI
from .rows import Figure


@dataclass(frozen=True)
class PositionRow:
    """One listening position in one scenario."""

    position: str
    """Name of the audience area."""
    number: int
    """Of the scenario, from 1."""
    scenario: str
    sti: Figure
    gain: Figure | None
    """Of the STI against the scenario that it is compared with; None for the bare venue."""
    signal_to_noise: Figure
    """dB, mean of the octaves 500 Hz to 4 kHz; noise sources count at this place."""
    level: Figure
    """dB(A) of the programme."""


def position_rows(results: Results) -> list[PositionRow]:
    """Every scenario at every listening position; none where each audience area has several seats."""
    counts = np.bincount(results.area, minlength=len(results.area_names))
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
                    sti=_at(results.seats[STI], seat, i),
                    gain=_at(results.gains[STI], seat, i) if compared else None,
                    signal_to_noise=_at(results.seats["signal_to_noise_ratio"], seat, i),
                    level=_at(results.seats["a_weighted_level"], seat, i),
                )
            )
    return rows


def _at(estimate: Estimate, seat: int, scenario: int) -> Figure:
    value, half = estimate.value[seat, scenario], estimate.half_width()[seat, scenario]
    if np.ndim(value):
        # The bands share their paths, so their errors are taken as fully correlated: never too small.
        value, half = value[SPEECH_MID].mean(), half[SPEECH_MID].mean()
    return Figure(float(value), float(half))
