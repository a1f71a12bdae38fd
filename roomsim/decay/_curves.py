"""Kernel: regressions over backward-integrated decays."""

from __future__ import annotations

import math

import numpy as np

from .._jit import KERNEL_OPTIONS, njit

_DECIBEL = 10.0 / math.log(10.0)


@njit(**KERNEL_OPTIONS)
def _add_piece(sums: np.ndarray, t_a: float, level_a: float, t_b: float, level_b: float) -> None:
    """Add a straight piece of decay to (6,) integrals over time of 1, t, level, t^2, t level, level^2."""
    width = t_b - t_a
    sums[0] += width
    sums[1] += width * (t_a + t_b) / 2.0
    sums[2] += width * (level_a + level_b) / 2.0
    sums[3] += width * (t_a * t_a + t_a * t_b + t_b * t_b) / 3.0
    sums[4] += width * (2.0 * t_a * level_a + t_a * level_b + t_b * level_a + 2.0 * t_b * level_b) / 6.0
    sums[5] += width * (level_a * level_a + level_a * level_b + level_b * level_b) / 3.0


@njit(**KERNEL_OPTIONS)
def _integrate(
    edges: np.ndarray, remaining: np.ndarray, rate: float, cuts: np.ndarray, sums: np.ndarray
) -> None:
    """Integrals of one decay between levels that follow each other.

    edges: (n + 1,) s. remaining: (n + 1,) energy still to come. rate: 1/s, of the decay after the last edge.
    cuts: (n_cuts,) dB, falling. Out: sums (n_cuts - 1, 6) between neighbouring cuts; NaN where the decay
    breaks off or is not known.
    """
    n_bins, n_pieces = len(edges) - 1, len(sums)
    sums[:] = 0.0
    total = remaining[0]
    t_a, level_a = edges[0], 0.0
    piece = -1  # above the first cut
    j = 0
    while piece < n_pieces:
        j += 1
        if j <= n_bins and remaining[j] > 0.0:
            t_b, level_b = edges[j], _DECIBEL * math.log(remaining[j] / total)
        elif j == n_bins + 1:
            # The decay goes on as the tail does; how much of that may be evaluated, the caller decides.
            level_b = cuts[-1] - 1.0
            t_b = t_a + (level_a - level_b) / (_DECIBEL * rate)
        else:
            # Nothing comes after, or nobody knows what: a break is no slope.
            sums[max(piece, 0) :] = np.nan
            return
        slope = (t_b - t_a) / (level_b - level_a) if level_b < level_a else 0.0
        while piece < n_pieces and level_b < cuts[piece + 1]:
            level_cut = cuts[piece + 1]
            t_cut = t_a + (level_cut - level_a) * slope
            if piece >= 0:
                _add_piece(sums[piece], t_a, level_a, t_cut, level_cut)
            t_a, level_a = t_cut, level_cut
            piece += 1
        if 0 <= piece < n_pieces:
            _add_piece(sums[piece], t_a, level_a, t_b, level_b)
        t_a, level_a = t_b, level_b


@njit(**KERNEL_OPTIONS)
def _decay_regressions(
    edges: np.ndarray,
    energy: np.ndarray,
    tail: np.ndarray,
    rate: np.ndarray,
    cuts: np.ndarray,
    pieces: np.ndarray,
    times: np.ndarray,
    non_linearity: np.ndarray,
) -> None:
    """Straight-line fits to decays, each weighted evenly in time.

    edges: (n + 1,) s. energy: (n_receivers, n, m), tail: (n_receivers, m) energy after the last edge,
    rate: (m,) 1/s, its decay; m counts scenarios and bands. cuts: (n_cuts,) dB, falling, the ends of all
    ranges; pieces: (n_ranges, 2), first and last + 1 of the pieces between cuts that make up a range.
    Out: times (n_ranges, n_receivers, m), s for 60 dB; non_linearity, 1 - r^2. NaN where there is no line.
    """
    n_receivers, n_bins, m = energy.shape
    remaining = np.empty((m, n_bins + 1))
    sums = np.empty((len(cuts) - 1, 6))
    fit = np.empty(6)
    for r in range(n_receivers):
        for c in range(m):
            remaining[c, n_bins] = tail[r, c]
        for j in range(n_bins - 1, -1, -1):
            for c in range(m):
                remaining[c, j] = remaining[c, j + 1] + energy[r, j, c]
        for c in range(m):
            _integrate(edges, remaining[c], rate[c], cuts, sums)
            for i in range(len(pieces)):
                fit[:] = 0.0
                for p in range(pieces[i, 0], pieces[i, 1]):
                    for k in range(6):
                        fit[k] += sums[p, k]
                var_t = fit[0] * fit[3] - fit[1] * fit[1]
                covariance = fit[0] * fit[4] - fit[1] * fit[2]
                var_level = fit[0] * fit[5] - fit[2] * fit[2]
                if var_t > 0.0 and covariance < 0.0:
                    times[i, r, c] = -60.0 * var_t / covariance
                    non_linearity[i, r, c] = 1.0 - covariance * covariance / (var_t * var_level)
                else:
                    times[i, r, c] = np.nan
                    non_linearity[i, r, c] = np.nan
