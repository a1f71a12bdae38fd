"""The energy that arrives after the last time bin.

ISO 3382-1:2009, 5.3.3 corrects a backward integration that stops early by assuming that the decay goes on
exponentially, at the rate of the part before the stop (clause from memory). Here the rate is that of the
traced energy of all seats together, because the last slope of a room is common to all its seats and the
late energy of a single seat is the least certain; the amount of energy is that of the seat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LEAST_SHARE = 1.0 / 6.0
"""Smallest share of the response's duration that determines the rate. A shorter part may fall enough by chance."""

LEAST_FALL = 5.0
"""dB by which the mean power must fall from the first to the second half of the part that determines the
rate: it then spans at least 10 dB, as much as the early decay time."""

NEGLIGIBLE = 1e-6
"""Share of all traced energy, -60 dB: with less in the last `LEAST_SHARE` of the response the tail is
neglected. There are then only a few such late rays, and their energy may not decay at all."""


@dataclass(frozen=True)
class TailWindow:
    """The two successive stretches of bins up to the last edge whose energies determine the rate.

    Chosen once from all replicates together: a choice that differed between replicates would add noise.
    """

    first: np.ndarray
    """(n_scenarios, 8) int, first bin of the first stretch; -1 where no part falls by `LEAST_FALL`."""
    second: np.ndarray
    """(n_scenarios, 8) int, first bin of the second stretch, which lasts to the end."""
    is_needed: np.ndarray
    """(n_scenarios, 8) bool; False where the energy after the last bin is negligible."""


def tail_window(bin_edges: np.ndarray, energy: np.ndarray) -> TailWindow:
    """The end of a response that determines its rate: a sixth of it, extended until the energy falls enough.

    Parameters
    ----------
    bin_edges : (n_bins + 1,) float, s
    energy : (n_bins, n_scenarios, 8) float
        Traced energy of all seats and replicates together.
    """
    n_bins = len(energy)
    until = np.concatenate([np.zeros((1, *energy.shape[1:])), np.cumsum(energy, axis=0)])
    first = np.full(energy.shape[1:], -1)
    second = np.full(energy.shape[1:], n_bins - 1)
    ratio = 10.0 ** (LEAST_FALL / 10.0)
    end = bin_edges[-1]
    latest = int(np.searchsorted(bin_edges, (1.0 - LEAST_SHARE) * end + 1e-9, side="right")) - 1
    latest = min(latest, n_bins - 2)
    is_needed = until[-1] - until[latest] > NEGLIGIBLE * until[-1]
    for start in range(latest, -1, -1):
        middle = int(np.argmin(np.abs(bin_edges - 0.5 * (bin_edges[start] + end))))
        middle = min(max(middle, start + 1), n_bins - 1)
        before = (until[middle] - until[start]) / (bin_edges[middle] - bin_edges[start])
        after = (until[-1] - until[middle]) / (end - bin_edges[middle])
        is_sufficient = (first < 0) & (before > 0.0) & (before >= ratio * after)
        first[is_sufficient] = start
        second[is_sufficient] = middle
    return TailWindow(first, second, is_needed)


def tail_rate(bin_edges: np.ndarray, energy: np.ndarray, window: TailWindow) -> np.ndarray:
    """Rate of the exponential that has the same energies in the two stretches of the window.

    Parameters
    ----------
    bin_edges : (n_bins + 1,) float, s
    energy : (n_bins, n_scenarios, 8) float

    Returns
    -------
    (n_scenarios, 8) float, 1/s. Infinite where the tail is negligible, NaN where the energy does not
    decay.
    """
    rate = np.where(window.is_needed, np.nan, np.inf)
    for place in zip(*np.nonzero(window.is_needed & (window.first >= 0)), strict=True):
        first, second = window.first[place], window.second[place]
        column = energy[(slice(None), *place)]
        rate[place] = _rate_of_stretches(
            column[first:second].sum(),
            column[second:].sum(),
            bin_edges[second] - bin_edges[first],
            bin_edges[-1] - bin_edges[second],
        )
    return rate


def _rate_of_stretches(before: float, after: float, length_before: float, length_after: float) -> float:
    """Solve before / after = (exp(k length_before) - 1) / (1 - exp(-k length_after)) for k."""
    if after <= 0.0:
        return np.inf
    if before / length_before <= after / length_after:
        return np.nan
    # Exact where both stretches are equally long; Newton's method on the logarithm, which is nearly straight.
    rate = np.log(before / length_before * length_after / after) / (0.5 * (length_before + length_after))
    for _ in range(8):
        grown, shrunk = np.expm1(rate * length_before), -np.expm1(-rate * length_after)
        fault = np.log(grown) - np.log(shrunk) - np.log(before / after)
        slope = length_before * (grown + 1.0) / grown - length_after * (1.0 - shrunk) / shrunk
        rate -= fault / slope
    return float(rate)


def tail_energy(
    bin_edges: np.ndarray, energy: np.ndarray, rate: np.ndarray, window: TailWindow
) -> np.ndarray:
    """Energy after the last edge, from each seat's energy in the last stretch and the common rate.

    Parameters
    ----------
    bin_edges : (n_bins + 1,) float, s
    energy : (n_receivers, n_bins, n_scenarios, 8) float
        Traced energy.
    rate : (n_scenarios, 8) float, 1/s, from `tail_rate`

    Returns
    -------
    (n_receivers, n_scenarios, 8) float; NaN where the rate is.
    """
    in_stretch = np.arange(energy.shape[1])[:, None, None] >= window.second
    last = np.einsum("rtkb,tkb->rkb", energy, in_stretch.astype(float))
    with np.errstate(over="ignore"):
        return last / np.expm1(rate * (bin_edges[-1] - bin_edges[window.second]))
