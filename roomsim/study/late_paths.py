"""Bands whose decays rest on too few late paths for their errors to be trusted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..bands import NOMINAL
from ..estimate import Estimate
from ..metrics.registry import METRICS
from .statistical import with_scenarios

MOST = {"early_decay_time": 0.12, "reverberation_time_t20": 0.08, "reverberation_time_t30": 0.06}
"""Relative standard error up to which 95 % intervals of single seats were found to hold the truth in nine of ten cases
or more (`benchmarks/intervals.py`). The later the energy that a time is read from, the fewer paths bring it, and those
that chance leaves out are missed by the time and by its error alike: times that are too short look too well known."""


def few_late_paths(scenarios: Sequence[str], seats: Mapping[str, Estimate]) -> list[str]:
    """Sentences on reverberation times that rest on too few late paths, one a figure, each with its scenarios.

    Parameters
    ----------
    seats : figure -> Estimate of (n_receivers, n_scenarios, 8)
        A value without a standard error is one that some replicates cannot do without.
    """
    said = []
    for time, most in MOST.items():
        relative = _of_median_seat(seats[time])
        few = relative > most
        concerned = np.flatnonzero(few.any(axis=1))
        if len(concerned):
            worst = concerned[int(relative[concerned].max(axis=1).argmax())]
            sentence = _sentence(METRICS[time].symbol, most, few[worst], float(relative[worst].max()))
            # The one whose figures are told comes first.
            names = [scenarios[int(k)] for k in (worst, *concerned[concerned != worst])]
            said.append(with_scenarios(sentence, names, len(scenarios)))
    return said


def _of_median_seat(time: Estimate) -> np.ndarray:
    """(n_scenarios, 8) relative standard error at the median of the seats that have a value; 0 where none has."""
    given = np.isfinite(time.value)
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.where(given, np.nan_to_num(time.standard_error / time.value, nan=np.inf), np.nan)
    none = ~given.any(axis=0)
    return np.where(none, 0.0, np.nanmedian(np.where(none, 0.0, relative), axis=0))


def _sentence(symbol: str, most: float, few: np.ndarray, worst: float) -> str:
    bands = [f"{frequency:g}" for frequency in NOMINAL[few]]
    listed = f"{', '.join(bands[:-1])} and {bands[-1]}" if len(bands) > 1 else bands[0]
    known = f"as large as {worst:.0%} of the value" if np.isfinite(worst) else "unknown"
    return (
        f"too few late paths reach the seats at {listed} Hz. The standard error of the {symbol} at the median seat is "
        f"{known} there; above {most:.0%} its 95 % intervals are too narrow. Ask for a finer precision (a smaller "
        f"standard error of the STI), which takes more rays, or do not rely on the {symbol} in these bands."
    )
