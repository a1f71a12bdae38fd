"""Kernel: regressions over backward-integrated decays."""

from __future__ import annotations

import math

import numpy as np

from .._jit import KERNEL_OPTIONS, njit
from ..bands import N_BANDS
from ._arrivals import ROUNDING

_DECIBEL = 10.0 / math.log(10.0)

LEAST_STEP = 0.02
"""Share of the remaining energy from which an arrival makes a separate step in the decay, of at least 0.09 dB. Smaller
arrivals are spread to the next step or to the end of their bin."""


@njit(**KERNEL_OPTIONS)
def _add_piece(sums: np.ndarray, i: int, t_a: float, level_a: float, t_b: float, level_b: float) -> None:
    """Add a straight piece of decay to integrals over time of 1, t, level, t^2, t level, level^2 in row i of sums."""
    width = t_b - t_a
    sums[i, 0] += width
    sums[i, 1] += width * (t_a + t_b) / 2.0
    sums[i, 2] += width * (level_a + level_b) / 2.0
    sums[i, 3] += width * (t_a * t_a + t_a * t_b + t_b * t_b) / 3.0
    sums[i, 4] += width * (2.0 * t_a * level_a + t_a * level_b + t_b * level_a + 2.0 * t_b * level_b) / 6.0
    sums[i, 5] += width * (level_a * level_a + level_a * level_b + level_b * level_b) / 3.0


@njit(**KERNEL_OPTIONS)
def _cross_cuts(
    piece: int, t_a: float, level_a: float, t_b: float, level_b: float, cuts: np.ndarray, sums: np.ndarray
) -> int:
    """Follow a decay along a straight line; returns the index of the piece between cuts that it reaches, -1 above the
    first."""
    n_pieces = len(sums)
    # A step takes no time and therefore adds nothing to a fit that is weighted evenly in time.
    slope = (t_b - t_a) / (level_b - level_a) if level_b < level_a else 0.0
    while piece < n_pieces and level_b < cuts[piece + 1]:
        level_cut = cuts[piece + 1]
        t_cut = t_a + (level_cut - level_a) * slope
        if piece >= 0:
            _add_piece(sums, piece, t_a, level_a, t_cut, level_cut)
        t_a, level_a = t_cut, level_cut
        piece += 1
    if 0 <= piece < n_pieces:
        _add_piece(sums, piece, t_a, level_a, t_b, level_b)
    return piece


@njit(inline="always", **KERNEL_OPTIONS)
def _follow(
    piece: int, t_a: float, level_a: float, t_b: float, level_b: float, cuts: np.ndarray, sums: np.ndarray
) -> int:
    """As `_cross_cuts`, with a shortcut for a line that remains within its piece."""
    if piece >= 0 and level_b >= cuts[piece + 1]:
        _add_piece(sums, piece, t_a, level_a, t_b, level_b)
        return piece
    return _cross_cuts(piece, t_a, level_a, t_b, level_b, cuts, sums)


@njit(inline="always", **KERNEL_OPTIONS)
def _start_at(zero: float, edges: np.ndarray, remaining: np.ndarray, time: np.ndarray) -> tuple[int, int, float, float]:
    """(first bin, first known arrival, time, traced energy still to come) of a decay from `zero` on."""
    start = 0
    while start < len(edges) - 2 and edges[start + 1] <= zero:
        start += 1
    p = 0
    while p < len(time) and time[p] < zero - ROUNDING:
        p += 1
    low = max(zero, edges[0])
    rest = remaining[start + 1] + (remaining[start] - remaining[start + 1]) * (edges[start + 1] - low) / (
        edges[start + 1] - edges[start]
    )
    return start, p, low, rest


@njit(**KERNEL_OPTIONS)
def _integrate(
    edges: np.ndarray,
    remaining: np.ndarray,
    rate: float,
    zero: float,
    time: np.ndarray,
    known: np.ndarray,
    cuts: np.ndarray,
    sums: np.ndarray,
) -> None:
    """Integrals of one decay between successive levels; times count from `zero`.

    edges: (n + 1,) s. remaining: (n + 1,) traced energy still to come. rate: 1/s, of the decay after the last edge.
    time: (n_known,) s, in order; known: (n_known + 1,) energy of known arrivals still to come, their own included.
    cuts: (n_cuts,) dB, falling. Out: sums (n_cuts - 1, 6) between neighbouring cuts; NaN where the decay ends or
    is not known.
    """
    n_bins, n_known, n_pieces = len(edges) - 1, len(time), len(sums)
    sums[:] = 0.0
    start, p, low, rest = _start_at(zero, edges, remaining, time)
    total = rest + known[p]
    t, level, piece = 0.0, 0.0, -1
    is_done = False
    if total > 0.0:
        for j in range(start, n_bins):
            high, rest_high = edges[j + 1], remaining[j + 1]
            while p < n_known and time[p] < high:
                if known[p] - known[p + 1] > LEAST_STEP * (rest_high + known[p]):
                    when = max(time[p], low)
                    share = (when - low) / (high - low)
                    between = rest + share * (rest_high - rest)
                    if rest > rest_high * 1.1 and rest_high > 0.0:
                        # Within a bin traced energy decays exponentially; above this ratio a straight line suffices.
                        between = rest * (rest_high / rest) ** share
                    before = _level(between + known[p], total)
                    piece = _follow(piece, t, level, when - zero, before, cuts, sums)
                    t, level = when - zero, before
                    if between + known[p + 1] > 0.0:
                        level = _level(between + known[p + 1], total)
                    if piece < n_pieces and level < cuts[piece + 1]:
                        piece = _cross_cuts(piece, t, before, t, level, cuts, sums)
                    if piece >= n_pieces:
                        return
                p += 1
            if not rest_high + known[p] > 0.0:
                break
            after = _level(rest_high + known[p], total)
            piece = _follow(piece, t, level, high - zero, after, cuts, sums)
            if piece >= n_pieces:
                return
            t, level = high - zero, after
            low, rest = high, rest_high
            is_done = j == n_bins - 1
    if is_done and rate > 0.0:
        # The decay continues as the tail does; the caller decides how much of that is evaluated.
        last = cuts[-1] - 1.0
        _cross_cuts(piece, t, level, t + (level - last) / (_DECIBEL * rate), last, cuts, sums)
    else:
        # Nothing follows, or it is not known what: there is no slope to evaluate.
        sums[max(piece, 0) :] = np.nan


@njit(**KERNEL_OPTIONS)
def _level(energy: float, total: float) -> float:
    return _DECIBEL * math.log(energy / total)


@njit(**KERNEL_OPTIONS)
def _decay_regressions(
    edges: np.ndarray,
    traced: np.ndarray,
    tail: np.ndarray,
    rate: np.ndarray,
    zero: np.ndarray,
    first: np.ndarray,
    time: np.ndarray,
    coming: np.ndarray,
    cuts: np.ndarray,
    pieces: np.ndarray,
    times: np.ndarray,
    non_linearity: np.ndarray,
) -> None:
    """Straight-line fits to decays, each weighted evenly in time.

    edges: (n + 1,) s. traced: (n_receivers, n, m), tail: (n_receivers, m) energy after the last edge,
    rate: (m,) 1/s, its decay; m counts scenarios and bands. zero: (n_receivers, m) s; first (n_receivers + 1,): as in
    `Arrivals`; time (8, n_arrivals) s; coming (m, n_arrivals + n_receivers), from `_still_to_come`. cuts: (n_cuts,)
    dB, falling, the ends of all ranges; pieces: (n_ranges, 2), first and last + 1 of the pieces between cuts that make
    up a range.
    Out: times (n_ranges, n_receivers, m), s for 60 dB; non_linearity, 1 - r^2. NaN where no line can be fitted.
    """
    n_receivers, n_bins, m = traced.shape
    remaining = np.empty((m, n_bins + 1))
    sums = np.empty((len(cuts) - 1, 6))
    fit = np.empty(6)
    for r in range(n_receivers):
        for c in range(m):
            remaining[c, n_bins] = tail[r, c]
        for j in range(n_bins - 1, -1, -1):
            for c in range(m):
                remaining[c, j] = remaining[c, j + 1] + traced[r, j, c]
        for c in range(m):
            _integrate(
                edges, remaining[c], rate[c], zero[r, c], time[c % N_BANDS, first[r] : first[r + 1]],
                coming[c, first[r] + r : first[r + 1] + r + 1], cuts, sums,
            )  # fmt: skip
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
