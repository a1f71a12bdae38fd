"""Decays, regressions and modulation by direct sampling: slow and simple."""

from __future__ import annotations

import numpy as np


class Decay:
    """A backward-integrated decay: energy in bins, a tail, and pulses at exact times, (time, energy) each."""

    def __init__(self, edges, energy, tail: float, rate: float, pulses=()):
        self.edges, self.tail, self.rate, self.pulses = edges, tail, rate, pulses
        self.remaining = np.array([energy[i:].sum() + tail for i in range(len(energy) + 1)])
        self.total = self.remaining[0] + sum(one for _, one in pulses)

    def level(self, time: np.ndarray) -> np.ndarray:
        """dB re all energy, just after these times, s. Exponential within each bin and after the last."""
        rest = np.exp(np.interp(time, self.edges, np.log(self.remaining)))
        after = self.tail * np.exp(-self.rate * (time - self.edges[-1]))
        left = np.where(time > self.edges[-1], after, rest)
        for when, energy in self.pulses:
            left = left + np.where(when > time, energy, 0.0)
        with np.errstate(divide="ignore"):
            return 10.0 * np.log10(left / self.total)

    def crossing(self, threshold: float) -> float:
        """s, by bisection: the first time at which the level is at or below it."""
        low, high = 0.0, 1e3
        if self.level(np.array([0.0]))[0] <= threshold:
            return 0.0
        for _ in range(100):
            middle = 0.5 * (low + high)
            if self.level(np.array([middle]))[0] <= threshold:
                high = middle
            else:
                low = middle
        return high

    def fit(self, upper: float, lower: float, n_samples: int) -> tuple[float, float]:
        """Time for 60 dB and 1 - r^2 from a least-squares line through evenly spaced samples."""
        start, end = self.crossing(upper), self.crossing(lower)
        time = start + (end - start) / n_samples * (np.arange(n_samples) + 0.5)
        level = self.level(time)
        slope, _ = np.polyfit(time, level, 1)
        return -60.0 / slope, 1.0 - np.corrcoef(time, level)[0, 1] ** 2


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
