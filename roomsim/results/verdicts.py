"""Statistical tests of the differences between scenarios of a finished study."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import special

from ..estimate import Estimate
from ..metrics.registry import METRICS
from .interval import Interval, interval_of
from .records import Results

FAMILY_LEVEL = 0.05
"""Probability that any scenario of a study is called better or worse although none differs."""

Outcome = Literal["better", "worse", "no significant difference", "not evaluable", "reference"]


@dataclass(frozen=True)
class Verdict:
    """Whether a scenario differs from the one that it is compared with, by the STI of the median seat."""

    gain: Interval
    """With the interval of this single difference."""
    p_value: float
    """Two-sided, for this single difference."""
    outcome: Outcome
    """From the test of all scenarios of the study together (Holm), which is stricter than the interval."""
    is_noticeable: bool
    """The gain is at least one just noticeable difference."""

    @property
    def text(self) -> str:
        """The outcome, with a remark if the difference is not noticeable."""
        if self.outcome in ("better", "worse") and not self.is_noticeable:
            return f"{self.outcome}, below one JND"
        return self.outcome


def verdicts(results: Results) -> tuple[Verdict, ...]:
    """A verdict on every scenario, at a significance level of 5 % for all scenarios of the study together.

    Student's t test of the jackknifed difference. Holm's step-down procedure maintains the level for the whole family
    regardless of the dependence between the differences (Holm, Scandinavian Journal of Statistics 6 (1979), 65).
    """
    gain = results.room_gains["sti_median"]
    p_values = two_sided_p(gain)
    is_reference = np.array([record.compare_with == i for i, record in enumerate(results.scenarios)])
    differs = np.zeros(len(p_values), dtype=bool)
    tested = ~is_reference
    differs[tested] = holm(p_values[tested], FAMILY_LEVEL)
    noticeable = METRICS["speech_transmission_index"].just_noticeable_difference
    assert noticeable is not None  # a row of the registry
    every = []
    for i, value in enumerate(gain.value):
        outcome: Outcome = "no significant difference"
        if is_reference[i]:
            outcome = "reference"
        elif not np.isfinite(value):
            outcome = "not evaluable"
        elif differs[i]:
            outcome = "better" if value > 0.0 else "worse"
        of_input = None if is_reference[i] else results.input_half_width("room_gains", "sti_median", i)
        difference = replace(interval_of(gain, i), input_half_width=of_input)
        every.append(Verdict(difference, float(p_values[i]), outcome, bool(abs(value) >= noticeable)))
    return tuple(every)


def two_sided_p(difference: Estimate) -> np.ndarray:
    """Probability of a difference at least as large under the null hypothesis; 1 if it cannot be evaluated.

    Identical scenarios differ by exactly zero, without any error, which is not evidence of a difference. A non-zero
    difference without any error is certain.
    """
    value, error = np.abs(difference.value), difference.standard_error
    ratio = np.divide(value, error, out=np.where(value > 0.0, np.inf, 0.0), where=error > 0.0)
    p = 2.0 * special.stdtr(difference.n_replicates - 1, -ratio)
    return np.where(np.isfinite(value) & np.isfinite(error), p, 1.0)


def holm(p_values: np.ndarray, level: float) -> np.ndarray:
    """(n,) bool: the hypotheses that Holm's step-down procedure rejects at this level for the family."""
    n = len(p_values)
    order = np.argsort(p_values, kind="stable")
    passed = p_values[order] <= level / np.arange(n, 0, -1)
    rejected = np.zeros(n, dtype=bool)
    # The first hypothesis that is not rejected ends the procedure.
    rejected[order] = np.logical_and.accumulate(passed)
    return rejected
