"""The origin of the standards' time axis: the first relevant arrival.

ISO 3382-1:2009 counts early and late energy from the arrival of the direct sound, which is where the impulse response
first rises clearly, taken as 20 dB below its maximum (A.1 to A.3 and, for the 20 dB, 5.3.2; clauses from memory).
"""

from __future__ import annotations

import numpy as np

from ._arrivals import _first_arrivals
from .response import Arrivals, EnergyResponse

RANGE = 20.0
"""dB below the strongest arrival down to which an arrival can be the first."""

RANGES_OF_TRACED = RANGE + np.linspace(2.0, -2.0, 9)
"""dB: for traced energy, time zero is the mean over these ranges. With a single range, random
variation in one bin would decide between two groups of scattered sound, and time zero would jump from one to the other,
which no standard error describes."""

WINDOW = 0.005
"""s in which traced energy counts as one arrival: the bins at the start of a response."""


def first_arrivals(bin_edges: np.ndarray, traced: np.ndarray, arrivals: Arrivals) -> np.ndarray:
    """Time zero of every seat, scenario and band.

    The first known arrival, or the first bin of traced energy, that is at most `RANGE` below the strongest. Where both
    lie in one bin, the known arrival is taken. In a bin of traced energy, time zero lies at the start if the strongest
    sound begins there, and later the nearer its energy is to the limit, so that it varies continuously with the
    energy; it is the mean over `RANGES_OF_TRACED`.

    Parameters
    ----------
    bin_edges : (n_bins + 1,) float, s
    traced : (n_receivers, n_bins, n_scenarios, 8) float
        Mean of all replicates, or of all but one: where traced energy determines time zero, its random error affects
        it slightly.
    arrivals : of the same receivers

    Returns
    -------
    (n_receivers, n_scenarios, 8) float, s from the start of the bins; 0 where nothing arrives
    """
    n_receivers, n_bins, n_scenarios, n_bands = traced.shape
    m = n_scenarios * n_bands
    zero = np.empty((n_receivers, n_scenarios, n_bands))
    _first_arrivals(
        bin_edges, traced.reshape(n_receivers, n_bins, m), arrivals.first, arrivals.time,
        arrivals.energy.reshape(-1, m), WINDOW, 10.0 ** (-RANGES_OF_TRACED / 10.0), zero.reshape(n_receivers, m),
    )  # fmt: skip
    return zero


def time_zero(response: EnergyResponse) -> np.ndarray:
    """(n_receivers, n_scenarios, 8) s from the start of the bins, from all replicates together."""
    mean = response.late.mean(axis=0, dtype=np.float64)
    return first_arrivals(response.bin_edges, mean, response.arrivals)
