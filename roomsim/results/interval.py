"""A value with its 95 % interval, as used in all reports."""

from __future__ import annotations

from dataclasses import dataclass

from ..estimate import Estimate


@dataclass(frozen=True)
class Interval:
    """A value and half the widths of its 95 % intervals; NaN if it cannot be evaluated."""

    value: float
    half_width: float
    """Due to Monte Carlo error."""
    input_half_width: float | None = None
    """Due to the uncertainty of absorption; None if it was not evaluated."""

    @property
    def low(self) -> float:
        return self.value - self.half_width

    @property
    def high(self) -> float:
        return self.value + self.half_width

    @property
    def is_significant(self) -> bool:
        """The Monte Carlo error does not explain the value."""
        return abs(self.value) > self.half_width

    def scaled(self, factor: float) -> Interval:
        """The same value and intervals in another unit, such as per cent."""
        of_input = None if self.input_half_width is None else factor * self.input_half_width
        return Interval(factor * self.value, factor * self.half_width, of_input)


def interval_of(estimate: Estimate, index: int | tuple[int, ...] = 0, factor: float = 1.0) -> Interval:
    """One of the values of an estimate with its interval, multiplied by `factor` for another unit."""
    return Interval(factor * float(estimate.value[index]), factor * float(estimate.half_width()[index]))
