"""Kernel: regressions over backward-integrated decays."""

from __future__ import annotations

import math

import numba
import numpy as np

from .._jit import KERNEL_OPTIONS


@numba.njit(**KERNEL_OPTIONS)
def _add_segment(
    sums: np.ndarray, t_a: float, level_a: float, t_b: float, level_b: float, upper: float, lower: float
) -> None:
    """Add the part of a straight piece of decay between two levels to the integrals of a regression.

    sums: (6,) integrals over time of 1, t, level, t^2, t level, level^2. Levels fall from a to b, dB.
    """
    if level_b >= upper or level_a <= lower:
        return
    if level_b == -np.inf:
        # Nothing comes after: the decay breaks off within the range, and a break is no slope.
        sums[:] = np.nan
        return
    slope = (level_b - level_a) / (t_b - t_a)
    if level_a > upper:
        t_a += (upper - level_a) / slope
        level_a = upper
    if level_b < lower:
        t_b = t_a + (lower - level_a) / slope
        level_b = lower
    width = t_b - t_a
    sums[0] += width
    sums[1] += width * (t_a + t_b) / 2.0
    sums[2] += width * (level_a + level_b) / 2.0
    sums[3] += width * (t_a * t_a + t_a * t_b + t_b * t_b) / 3.0
    sums[4] += width * (2.0 * t_a * level_a + t_a * level_b + t_b * level_a + 2.0 * t_b * level_b) / 6.0
    sums[5] += width * (level_a * level_a + level_a * level_b + level_b * level_b) / 3.0


@numba.njit(**KERNEL_OPTIONS)
def _decay_regressions(
    edges: np.ndarray,
    energy: np.ndarray,
    tail: np.ndarray,
    rate: np.ndarray,
    ranges: np.ndarray,
    times: np.ndarray,
    non_linearity: np.ndarray,
) -> None:
    """Straight-line fits to decays, each weighted evenly in time.

    edges: (n + 1,) s. energy: (n_receivers, n, m), tail: (n_receivers, m) energy after the last edge,
    rate: (m,) 1/s, its decay; m counts scenarios and bands. ranges: (n_ranges, 2) dB, upper and lower.
    Out: times (n_ranges, n_receivers, m), s for 60 dB; non_linearity, 1 - r^2. NaN where there is no line.
    """
    n_receivers, n_bins, m = energy.shape
    n_ranges = len(ranges)
    floor = ranges[:, 1].min()
    remaining = np.empty((n_bins + 1, m))
    sums = np.empty((n_ranges, 6))
    for r in range(n_receivers):
        for c in range(m):
            remaining[n_bins, c] = tail[r, c]
        for j in range(n_bins - 1, -1, -1):
            for c in range(m):
                remaining[j, c] = remaining[j + 1, c] + energy[r, j, c]
        for c in range(m):
            sums[:] = 0.0
            total = remaining[0, c]
            # Without any energy, or with an unknown tail, there is no level and no line.
            level = 0.0 if total > 0.0 else np.nan
            j = 0
            while j < n_bins and level > floor:
                left = remaining[j + 1, c]
                next_level = 10.0 * math.log10(left / total) if left > 0.0 else -np.inf
                for i in range(n_ranges):
                    _add_segment(
                        sums[i], edges[j], level, edges[j + 1], next_level, ranges[i, 0], ranges[i, 1]
                    )
                level = next_level
                j += 1
            if level > floor:
                # The decay goes on as the tail does; how much of that may be evaluated, the caller decides.
                duration = (level - floor) / (10.0 / math.log(10.0) * rate[c])
                for i in range(n_ranges):
                    _add_segment(
                        sums[i],
                        edges[n_bins],
                        level,
                        edges[n_bins] + duration,
                        floor,
                        ranges[i, 0],
                        ranges[i, 1],
                    )
            for i in range(n_ranges):
                var_t = sums[i, 0] * sums[i, 3] - sums[i, 1] * sums[i, 1]
                covariance = sums[i, 0] * sums[i, 4] - sums[i, 1] * sums[i, 2]
                var_level = sums[i, 0] * sums[i, 5] - sums[i, 2] * sums[i, 2]
                if var_t > 0.0 and covariance < 0.0:
                    times[i, r, c] = -60.0 * var_t / covariance
                    non_linearity[i, r, c] = 1.0 - covariance * covariance / (var_t * var_level)
                else:
                    times[i, r, c] = np.nan
                    non_linearity[i, r, c] = np.nan
