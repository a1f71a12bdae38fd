"""From an energy response to decay curves, their slopes and the sums on which all figures are based."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ._arrivals import _still_to_come, _sum_known, _sum_traced
from ._curves import _decay_regressions
from .response import MODULATION_FREQUENCIES, Arrivals, EnergyResponse
from .tail import TailWindow, tail_energy, tail_rate, tail_window
from .time_zero import first_arrivals

EVALUATION_RANGES = {
    "early_decay_time": (0.0, -10.0),
    "reverberation_time_t20": (-5.0, -25.0),
    "reverberation_time_t30": (-5.0, -35.0),
}
"""Upper and lower level of the regression, dB (ISO 3382-1:2009, 3.6 and A.2.2; clauses from memory)."""


@dataclass(frozen=True)
class DecaySlopes:
    """Straight-line fits to the backward-integrated decay of each seat, by name of `EVALUATION_RANGES`."""

    time: dict[str, np.ndarray]
    """(n_receivers, n_scenarios, 8) float, s for a fall of 60 dB. NaN where the decay does not reach."""
    non_linearity: dict[str, np.ndarray]
    """(n_receivers, n_scenarios, 8) float, 1 - r^2 of the fit."""


LIMITS = (0.05, 0.08)
"""s after time zero, between early and late energy (ISO 3382-1:2009, A.2.3; clause from memory)."""


@dataclass(frozen=True)
class KnownEnergy:
    """Energy at some seats of the arrivals whose times are known exactly."""

    arrivals: Arrivals
    zero: np.ndarray
    """(n_receivers, n_scenarios, 8) s from the start of the bins: time zero of the standards."""

    @cached_property
    def sums_and_moment(self) -> tuple[np.ndarray, np.ndarray]:
        """Energy (n_limits + 2, n_receivers, n_scenarios, 8) from time zero to each of `LIMITS`, from time zero on, and
        in all; and energy times time after time zero (n_receivers, n_scenarios, 8), s."""
        n_receivers, m = len(self.zero), self.zero[0].size
        sums, moment = np.empty((len(LIMITS) + 2, n_receivers, m)), np.empty((n_receivers, m))
        _sum_known(
            self.arrivals.first, self.arrivals.time, self.arrivals.energy.reshape(-1, m),
            self.zero.reshape(n_receivers, m), np.array(LIMITS), sums, moment,
        )  # fmt: skip
        return sums.reshape(-1, *self.zero.shape), moment.reshape(self.zero.shape)

    @cached_property
    def coming(self) -> tuple[np.ndarray, np.ndarray]:
        """Times and energies still to come, as `_decay_regressions` takes them."""
        arrivals, m = self.arrivals, self.zero[0].size
        coming = np.empty((m, len(arrivals.time) + len(self.zero)))
        _still_to_come(arrivals.first, arrivals.energy.reshape(-1, m), coming)
        return np.ascontiguousarray(arrivals.time.T), coming


@dataclass(frozen=True)
class SeatEnergy:
    """Energies of the seats for one sum over replicates: all of them, or all but one.

    Arrays are (n_receivers, n_scenarios, 8) unless stated otherwise.
    """

    bin_edges: np.ndarray
    """(n_bins + 1,), s."""
    late: np.ndarray
    """(n_receivers, n_bins, n_scenarios, 8), the traced part."""
    known: KnownEnergy
    tail: np.ndarray
    """Energy after the last edge."""
    tail_rate: np.ndarray
    """(n_scenarios, 8), 1/s."""
    end_level: np.ndarray
    """Level of the decay curve at the last edge with all replicates, dB: the end of the decay. A range that extends
    below it is not evaluated, neither with all replicates nor with one left out."""
    direct: np.ndarray
    early_modulation: np.ndarray
    """(n_receivers, 14, n_scenarios, 8) complex."""

    @cached_property
    def total(self) -> np.ndarray:
        """All energy, whenever it arrives."""
        return self.known.sums_and_moment[0][-1] + self.late.sum(axis=1) + self.tail

    @cached_property
    def _from_zero(self) -> tuple[np.ndarray, np.ndarray]:
        n_receivers, n_bins, n_scenarios, n_bands = self.late.shape
        m = n_scenarios * n_bands
        sums, moment = np.empty((len(LIMITS) + 1, n_receivers, m)), np.empty((n_receivers, m))
        _sum_traced(
            self.bin_edges, self.late.reshape(n_receivers, n_bins, m), self.known.zero.reshape(n_receivers, m),
            np.array(LIMITS), sums, moment,
        )  # fmt: skip
        shape = (n_receivers, n_scenarios, n_bands)
        known, known_moment = self.known.sums_and_moment
        return sums.reshape(-1, *shape) + known[:-1], moment.reshape(shape) + known_moment

    @cached_property
    def from_zero(self) -> np.ndarray:
        """Energy from time zero on."""
        return self._from_zero[0][-1] + self.tail

    def until(self, time: float) -> np.ndarray:
        """Energy from time zero up to `time` after it, s, one of `LIMITS`."""
        return self._from_zero[0][LIMITS.index(time)]

    @cached_property
    def moment(self) -> np.ndarray:
        """Integral of energy times time after time zero, s: exact for known arrivals, bin by bin for traced sound."""
        after = self.bin_edges[-1] - self.known.zero + 1.0 / self.tail_rate
        return self._from_zero[1] + self.tail * after

    @cached_property
    def modulation(self) -> np.ndarray:
        """(n_receivers, 14, n_scenarios, 8) complex: Fourier integrals at the modulation frequencies.

        The late energy counts as constant within its bin, the tail as exponential. For an exponential in bins
        of equal width the magnitude is exact to fourth order in the width: the sampling and the constant
        within the bin cancel to second order.
        """
        turn = -2j * np.pi * MODULATION_FREQUENCIES[:, None]
        middle = 0.5 * (self.bin_edges[1:] + self.bin_edges[:-1])
        kernel = np.exp(turn * middle) * np.sinc(MODULATION_FREQUENCIES[:, None] * np.diff(self.bin_edges))
        n_receivers, n_bins, n_scenarios, n_bands = self.late.shape
        flat = self.late.reshape(n_receivers, n_bins, -1)
        both = np.concatenate([kernel.real, kernel.imag]) @ flat
        half = len(MODULATION_FREQUENCIES)
        shape = (n_receivers, half, n_scenarios, n_bands)
        late = both[:, :half].reshape(shape) + 1j * both[:, half:].reshape(shape)
        turn = turn[:, :, None]
        tail = self.tail[:, None] * np.exp(turn * self.bin_edges[-1]) / (1.0 - turn * (1.0 / self.tail_rate))
        return self.early_modulation + late + tail

    @cached_property
    def slopes(self) -> DecaySlopes:
        n_receivers, n_bins, n_scenarios, n_bands = self.late.shape
        m = n_scenarios * n_bands
        ranges = np.array(list(EVALUATION_RANGES.values()))
        cuts = np.unique(ranges)[::-1]
        pieces = np.searchsorted(-cuts, -ranges)
        shape = (len(ranges), *self.tail.shape)
        times, non_linearity = np.empty(shape), np.empty(shape)
        _decay_regressions(
            self.bin_edges,
            self.late.reshape(n_receivers, n_bins, m),
            self.tail.reshape(n_receivers, m),
            self.tail_rate.reshape(m),
            self.known.zero.reshape(n_receivers, m),
            self.known.arrivals.first,
            *self.known.coming,
            cuts,
            pieces,
            times.reshape(len(ranges), n_receivers, -1),
            non_linearity.reshape(len(ranges), n_receivers, -1),
        )
        reached = self.end_level <= ranges[:, 1, None, None, None]
        times[~reached] = np.nan
        non_linearity[~reached] = np.nan
        return DecaySlopes(
            dict(zip(EVALUATION_RANGES, times, strict=True)),
            dict(zip(EVALUATION_RANGES, non_linearity, strict=True)),
        )


@dataclass(frozen=True)
class ResponseTail:
    """Decay after the last bin: one rate per scenario and band with all replicates and with one left out."""

    window: TailWindow
    full: np.ndarray
    """(n_scenarios, 8), 1/s."""
    left_out: np.ndarray
    """(n_replicates, n_scenarios, 8), 1/s."""


def response_tail(response: EnergyResponse) -> ResponseTail:
    """Rate of the decay after the last bin, common to all seats."""
    replicates = response.late.sum(axis=1, dtype=np.float64)
    total = replicates.sum(axis=0)
    edges = response.bin_edges
    window = tail_window(edges, total)
    full = tail_rate(edges, total, window)
    left_out = np.stack([tail_rate(edges, np.maximum(total - one, 0.0), window) for one in replicates])
    # With few rays the energy of the other replicates may not decay where that of all does.
    return ResponseTail(window, full, np.where(np.isnan(left_out), full, left_out))


def seat_energies(response: EnergyResponse, tail: ResponseTail, receivers: slice) -> Iterator[SeatEnergy]:
    """Energies of some seats: first from all replicates, then with each replicate left out in turn.

    One at a time, so that no second copy of the response is ever in memory.
    """
    n = response.n_replicates
    edges = response.bin_edges
    late = response.late[:, receivers]
    total = late.sum(axis=0, dtype=np.float64)
    arrivals = response.arrivals.of(receivers)
    mean = total / n
    of_all = KnownEnergy(arrivals, first_arrivals(edges, mean, arrivals))

    def seats(
        energy: np.ndarray, known: KnownEnergy, rate: np.ndarray, end_level: np.ndarray
    ) -> SeatEnergy:
        return SeatEnergy(
            bin_edges=edges,
            late=energy,
            known=known,
            tail=tail_energy(edges, energy, rate, tail.window),
            tail_rate=rate,
            end_level=end_level,
            direct=response.direct[receivers],
            early_modulation=response.early_modulation[receivers],
        )

    full = seats(mean, of_all, tail.full, np.empty(0))
    with np.errstate(divide="ignore", invalid="ignore"):
        end_level = 10.0 * np.log10(full.tail / full.from_zero)
    yield replace(full, end_level=end_level)
    for one, rate in zip(late, tail.left_out, strict=True):
        # At a seat that only one replicate reaches, leaving that one out leaves a rounding error of either sign.
        rest = np.maximum(total - one, 0.0) / (n - 1)
        zero = first_arrivals(edges, rest, arrivals)
        # Nearly everywhere a known arrival determines time zero, which is then the same for all replicates.
        known = of_all if np.array_equal(zero, of_all.zero) else KnownEnergy(arrivals, zero)
        yield seats(rest, known, rate, end_level)
