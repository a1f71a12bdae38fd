"""A figure at every seat with its replicates, and its statistics over seats, bands and scenarios.

Standard errors are computed last: a difference between scenarios, a mean of bands or a statistic over seats is
formed in each replicate, and its error is that of the replicates, so that common errors cancel.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..estimate import Estimate, from_half_samples, half_samples, jackknife

SeatFunction = Callable[[np.ndarray], np.ndarray]
"""(n_receivers, ...) -> (...), NaN left out."""


@dataclass(frozen=True)
class Replicated:
    """A figure at the seats, from all replicates and with each left out in turn.

    NaN where it cannot be evaluated, in every replicate alike.
    """

    full: np.ndarray
    """(n_receivers, n_scenarios) or (n_receivers, n_scenarios, 8)."""
    left_out: np.ndarray
    """(n_replicates, ...), same shape behind."""

    def estimate(self) -> Estimate:
        """Value and standard error at each seat."""
        return jackknife(self.full, self.left_out)

    def difference(self, reference: Replicated) -> Replicated:
        """This minus `reference`, seat by seat and replicate by replicate."""
        # Levels of minus infinity on both sides have no difference: NaN.
        with np.errstate(invalid="ignore"):
            return Replicated(self.full - reference.full, self.left_out - reference.left_out)

    def scenarios(self, indices: Sequence[int] | np.ndarray) -> Replicated:
        """The scenarios with these indices, in this order; repeats allowed.

        `figure.difference(figure.scenarios(scene.compare_with))` is the gain of every scenario.
        """
        return Replicated(self.full[:, indices], self.left_out[:, :, indices])

    def at(self, seats: np.ndarray | None) -> Replicated:
        """NaN where `seats`, of the shape of `full`, is False; unchanged for None."""
        if seats is None:
            return self
        hidden = np.where(seats, 0.0, np.nan)
        return Replicated(self.full + hidden, self.left_out + hidden)


    def over_seats(self, statistic: SeatFunction) -> SeatStatistic:
        """A statistic over seats, such as `median_of_seats`, `quantile_of_seats(0.1)`, `share_above(0.5)`."""
        moved, further = half_samples(self.full, self.left_out, 1.0, 2.0)
        return SeatStatistic(
            value=statistic(self.estimate().value),
            moved=np.stack([statistic(one) for one in moved]),
            moved_further=np.stack([statistic(one) for one in further]),
            n_replicates=len(self.left_out),
        )


@dataclass(frozen=True)
class SeatStatistic:
    """A statistic over seats for each scenario, with balanced half-samples of the replicates."""

    value: np.ndarray
    """(n_scenarios,) or (n_scenarios, 8), of the seats."""
    moved: np.ndarray
    """(n_half_samples, ...), of each half-sample."""
    moved_further: np.ndarray
    """(n_half_samples, ...), of half-samples with twice the variance."""
    n_replicates: int

    def estimate(self) -> Estimate:
        """Value, corrected for the effect of noise on the spread over seats, and standard error."""
        return from_half_samples(self.value, self.moved, self.moved_further, self.n_replicates)

    def difference(self, reference: SeatStatistic) -> Estimate:
        """This minus `reference`, with the error of the difference itself."""
        return from_half_samples(
            self.value - reference.value,
            self.moved - reference.moved,
            self.moved_further - reference.moved_further,
            self.n_replicates,
        )

    def scenarios(self, indices: Sequence[int] | np.ndarray) -> SeatStatistic:
        """The scenarios with these indices, in this order; repeats allowed."""
        return SeatStatistic(
            self.value[indices], self.moved[:, indices], self.moved_further[:, indices], self.n_replicates
        )


def mean_of_seats(seats: np.ndarray) -> np.ndarray:
    """Mean over the seats that could be evaluated; NaN where none could."""
    present = np.isfinite(seats)
    with np.errstate(invalid="ignore"):
        return np.where(present, seats, 0.0).sum(axis=0) / present.sum(axis=0)


def quantile_of_seats(share: float) -> SeatFunction:
    """Value below which this share of the seats lies, interpolated between seats.

    Where more is better, the worst tenth of seats is `quantile_of_seats(0.1)`.
    """

    def quantile(seats: np.ndarray) -> np.ndarray:
        ordered = np.sort(seats, axis=0)  # NaN last
        place = share * np.maximum(np.isfinite(seats).sum(axis=0) - 1, 0)
        below = place.astype(int)
        above = np.minimum(below + 1, len(seats) - 1)
        low, high = (np.take_along_axis(ordered, i[None], axis=0)[0] for i in (below, above))
        # A weight of zero must not multiply the NaN beyond the last seat.
        return np.where(place > below, low + (place - below) * (high - low), low)

    return quantile


def median_of_seats(seats: np.ndarray) -> np.ndarray:
    """Median over the seats that could be evaluated; NaN where none could."""
    return quantile_of_seats(0.5)(seats)


def share_above(threshold: float) -> SeatFunction:
    """Share of the seats that could be evaluated which lie at or above a threshold."""

    def share(seats: np.ndarray) -> np.ndarray:
        with np.errstate(invalid="ignore"):
            return (seats >= threshold).sum(axis=0) / np.isfinite(seats).sum(axis=0)

    return share
