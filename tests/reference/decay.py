"""Decays, regressions and modulation by direct sampling: slow and obvious."""

from __future__ import annotations

import numpy as np


def levels_at_edges(energy: np.ndarray, tail: float) -> np.ndarray:
    """(n + 1,) dB re the start: for each edge, add up all that comes later."""
    remaining = np.array([energy[i:].sum() + tail for i in range(len(energy) + 1)])
    return 10.0 * np.log10(remaining / remaining[0])


def sampled_fit(
    edges: np.ndarray, levels: np.ndarray, rate: float, upper: float, lower: float, n_samples: int
) -> tuple[float, float]:
    """Time for 60 dB and 1 - r^2 from a least-squares line through evenly spaced samples of the decay.

    Straight between edges; after the last one the decay goes on at `rate`, 1/s.
    """
    end = edges[-1] + max(0.0, (levels[-1] - lower) * np.log(10.0) / 10.0 / rate)
    if end > edges[-1]:
        edges, levels = np.append(edges, end), np.append(levels, lower)
    # Edge by edge, in search of the two crossings.
    start_time = first_crossing(edges, levels, upper)
    end_time = first_crossing(edges, levels, lower)
    step = (end_time - start_time) / n_samples
    time = start_time + step * (np.arange(n_samples) + 0.5)
    level = np.interp(time, edges, levels)
    slope, _ = np.polyfit(time, level, 1)
    return -60.0 / slope, 1.0 - np.corrcoef(time, level)[0, 1] ** 2


def first_crossing(edges: np.ndarray, levels: np.ndarray, threshold: float) -> float:
    for i in range(len(edges) - 1):
        if levels[i + 1] < threshold <= levels[i]:
            share = (levels[i] - threshold) / (levels[i] - levels[i + 1])
            return edges[i] + share * (edges[i + 1] - edges[i])
        if levels[i + 1] == threshold:
            return edges[i + 1]
    raise ValueError("the decay does not reach")


def sampled_modulation(
    edges: np.ndarray, energy: np.ndarray, frequency: float, n_samples: int = 200
) -> complex:
    """Fourier integral of energy that is constant within each bin, by midpoint sums."""
    total = 0.0 + 0.0j
    for i, one in enumerate(energy):
        width = (edges[i + 1] - edges[i]) / n_samples
        time = edges[i] + width * (np.arange(n_samples) + 0.5)
        total += one * np.mean(np.exp(-2j * np.pi * frequency * time))
    return total
