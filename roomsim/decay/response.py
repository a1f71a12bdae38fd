"""The energy response of every seat, as sums over independent replicates.

Rays, image sources and statistical formulas all produce this type, from which all figures are computed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

MODULATION_FREQUENCIES = np.array([0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5])
"""(14,) Hz (IEC 60268-16:2020, clause on the full STI method; one-third-octave steps)."""


@dataclass(frozen=True)
class Arrivals:
    """Direct sound and image sources, one by one, each with its exact time and energy."""

    first: np.ndarray
    """(n_receivers + 1,) int64: those of receiver r are numbers first[r] to first[r + 1] - 1, in order of time."""
    time: np.ndarray
    """(n_arrivals, 8) float64, s from the start of the bins; negative for one that comes before it."""
    energy: np.ndarray
    """(n_arrivals, n_scenarios, 8) float."""

    def of(self, receivers: slice) -> Arrivals:
        """The arrivals at consecutive receivers."""
        seats = range(len(self.first) - 1)[receivers]
        first = self.first[seats.start : seats.stop + 1]
        chosen = slice(first[0], first[-1])
        return Arrivals(first - first[0], self.time[chosen], self.energy[chosen])


@dataclass(frozen=True)
class EnergyResponse:
    """Squared pressure over time at every seat, re (20 uPa)^2.

    Axis order (replicate, receiver, time, scenario, band). `arrivals` and the sums over them hold the deterministic
    part (direct sound and image sources), whose times are exact; `late` holds the traced part, with an error, in
    time bins. The bins start no later than the first relevant arrival (for traced responses:
    `tracing.replay.earliest_arrival`); `decay.time_zero` locates time zero of the standards.
    """

    bin_edges: np.ndarray
    """(n_bins + 1,) float64, s, from 0; multiples of 5 ms with edges at 50 and 80 ms."""
    late: np.ndarray
    """(n_replicates, n_receivers, n_bins, n_scenarios, 8) float32. Each replicate by itself is an unbiased
    estimate of the traced energy in each bin; their mean is the best one."""
    arrivals: Arrivals
    direct: np.ndarray
    """(n_receivers, n_scenarios, 8) float64: energy of the direct sound (part of `arrivals`)."""
    early_modulation: np.ndarray
    """(n_receivers, 14, n_scenarios, 8) complex128, sum over `arrivals` of energy times exp(-2 pi i F t)."""

    def __post_init__(self) -> None:
        n_receivers, n_bins, n_scenarios, n_bands = self.late.shape[1:]
        n_arrivals, n_modulations = len(self.arrivals.time), len(MODULATION_FREQUENCIES)
        for name, array, shape in (
            ("bin_edges", self.bin_edges, (n_bins + 1,)),
            ("direct", self.direct, (n_receivers, n_scenarios, n_bands)),
            ("early_modulation", self.early_modulation, (n_receivers, n_modulations, n_scenarios, n_bands)),
            ("first of the arrivals", self.arrivals.first, (n_receivers + 1,)),
            ("time of the arrivals", self.arrivals.time, (n_arrivals, n_bands)),
            ("energy of the arrivals", self.arrivals.energy, (n_arrivals, n_scenarios, n_bands)),
        ):
            if array.shape != shape:
                raise ValueError(f"{name} has shape {array.shape}, but late requires {shape}")
        if self.bin_edges[0] != 0.0 or not np.all(np.diff(self.bin_edges) > 0.0):
            raise ValueError("bin_edges must start at 0 and increase")
        for time in (0.05, 0.08):
            nearest = self.bin_edges[np.argmin(np.abs(self.bin_edges - time))]
            if abs(nearest - time) > 1e-6:
                raise ValueError(f"no bin edge at {1000.0 * time:g} ms: the nearest is at {1000.0 * nearest:g} ms")

    @property
    def n_replicates(self) -> int:
        return self.late.shape[0]

    @property
    def n_receivers(self) -> int:
        return self.late.shape[1]

    @property
    def n_scenarios(self) -> int:
        return self.late.shape[3]
