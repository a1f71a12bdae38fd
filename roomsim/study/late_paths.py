"""What few late paths do to reverberation times: errors at seats are made steady, and bands with too few are told."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from ..bands import NOMINAL
from ..estimate import Estimate
from ..metrics.registry import METRICS
from .statistical import Told, merged

TIMES = ("early_decay_time", "reverberation_time_t20", "reverberation_time_t30")
MOST = 0.1
"""Relative standard error at the median seat up to which 95 % intervals of reverberation times were found to hold the
truth in nine of ten cases or more (`benchmarks/intervals.py`)."""
LARGEST = 4.0
"""Squared relative errors count up to this many times that of the median seat: one odd seat says nothing of others."""


def steadied(time: Estimate) -> Estimate:
    """Reverberation times at seats, with errors that owe less to chance.

    Few paths bring the late energy of a seat. Those that chance leaves out are missed by the time and by its error
    alike: times that are too short look too well known, and 95 % intervals hold the truth in 87 to 93 % of cases. The
    seats of a band and scenario are known about equally well, so the squared relative error becomes the mean of the
    seat's own and that of all seats; intervals then hold it in 92 to 97 %. (Variances that borrow from each other:
    Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004), 3, from memory; equal shares were found by counting.)

    Parameters
    ----------
    time : Estimate of (n_receivers, n_scenarios, 8)
    """
    own = (time.standard_error / time.value) ** 2
    shared = _over_known_seats(np.nanmean, np.minimum(own, LARGEST * _over_known_seats(np.nanmedian, own)))
    return Estimate(time.value, time.value * np.sqrt(0.5 * (own + shared)), time.n_replicates)


def _over_known_seats(statistic: Callable[..., np.ndarray], squares: np.ndarray) -> np.ndarray:
    """(n_scenarios, 8), NaN where no seat has a figure."""
    none = np.isnan(squares).all(axis=0)
    over_seats: np.ndarray = np.where(none, np.nan, statistic(np.where(none, 0.0, squares), axis=0))
    return over_seats


def few_late_paths(scenarios: Sequence[str], seats: Mapping[str, Estimate]) -> list[str]:
    """Sentences on reverberation times that rest on too few late paths, one a figure, each with its scenarios.

    Parameters
    ----------
    seats : figure -> Estimate of (n_receivers, n_scenarios, 8)
    """
    told = []
    for name in TIMES:
        time = seats[name]
        relative = np.nan_to_num(_over_known_seats(np.nanmedian, time.standard_error / time.value))
        for i in np.flatnonzero((relative > MOST).any(axis=1)).tolist():
            worst, symbol = float(relative[i].max()), METRICS[name].symbol
            bands = ", ".join(f"{frequency:g}" for frequency in NOMINAL[relative[i] > MOST])
            text = (
                f"Too few late paths reach the seats at {bands} Hz. The standard error of the {symbol} at the median "
                f"seat is as large as {worst:.0%} of the value there; above {MOST:.0%} its 95 % intervals are too "
                "narrow. Ask for a finer precision (a smaller standard error of the STI), which takes more rays, or do "
                f"not rely on the {symbol} in these bands."
            )
            told.append(Told(name, scenarios[i], worst, text))
    return merged(told, len(scenarios))
