"""A value with its 95 % interval: the one type of all reports."""

from __future__ import annotations

from dataclasses import dataclass

from ..estimate import Estimate


@dataclass(frozen=True)
class Interval:
    """A value and half the widths of its 95 % intervals; NaN where it cannot be evaluated."""

    value: float
    half_width: float
    """Monte Carlo error."""
    input_half_width: float | None = None
    """From the uncertainty of absorption; None where it was not evaluated."""

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
        """In another unit, such as per cent."""
        of_input = None if self.input_half_width is None else factor * self.input_half_width
        return Interval(factor * self.value, factor * self.half_width, of_input)


def interval_of(estimate: Estimate, index: int | tuple[int, ...] = 0, factor: float = 1.0) -> Interval:
    """One of an estimate's values with its interval, in a unit of which `factor` make one of the estimate's."""
    return Interval(factor * float(estimate.value[index]), factor * float(estimate.half_width()[index]))
