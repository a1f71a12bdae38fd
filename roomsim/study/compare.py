"""What the scenarios do for the seats, against each other, and whether that is more than chance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import special

from ..estimate import Estimate
from ..metrics.common_seats import seats_of_means
from ..metrics.registry import METRICS
from ..metrics.replicated import (
    Replicated,
    SeatStatistic,
    mean_of_seats,
    median_of_seats,
    quantile_of_seats,
    share_above,
)
from .late_paths import TIMES, steadied
from .results import Results

STI = "speech_transmission_index"

FAMILY_LEVEL = 0.05
"""Probability of calling any scenario of a study better or worse when none differs."""


@dataclass(frozen=True)
class Comparison:
    """Figures at the seats and over them, with the differences that each scenario is judged by."""

    seats: dict[str, Estimate]
    gains: dict[str, Estimate]
    room: dict[str, Estimate]
    room_gains: dict[str, Estimate]


def compare(
    figures: Mapping[str, Replicated], compare_with: Sequence[int] | np.ndarray, sti_target: float
) -> Comparison:
    """From replicated figures to the estimates and differences that a finished study keeps.

    All differences are formed in each replicate: what two scenarios share of chance drops out of their
    errors.

    Parameters
    ----------
    figures : registry name -> (n_receivers, n_scenarios) or (n_receivers, n_scenarios, 8)
        With the speech transmission index among them.
    compare_with : (n_scenarios,)
        Index of the scenario that each is measured against.
    sti_target : float
        A seat counts as served from this speech transmission index on.
    """
    references = list(compare_with)
    seats, gains, room, room_gains = {}, {}, {}, {}
    counted = seats_of_means(figures)
    for name, given in figures.items():
        # The engine keeps replicates in single precision; nineteen times a difference of them needs more.
        figure = Replicated(given.full, given.left_out.astype(np.float64, copy=False))
        seats[name] = figure.estimate()
        gains[name] = figure.difference(figure.scenarios(references)).estimate()
        if name in TIMES:
            seats[name] = steadied(seats[name])
        figure = figure.at(counted.get(name))
        room[name] = figure.over_seats(mean_of_seats).estimate()
        # The mean of the differences, not the difference of the means: a seat that one of the two scenarios
        # leaves without a figure says nothing about their difference.
        room_gains[name] = figure.difference(figure.scenarios(references)).over_seats(mean_of_seats).estimate()
    for name, statistic in _over_seats(figures[STI], sti_target).items():
        room[name] = statistic.estimate()
        room_gains[name] = statistic.difference(statistic.scenarios(references))
    share = room["sti_share_of_seats"]
    # Taking the bias off may carry a share a little over the edge.
    room["sti_share_of_seats"] = replace(share, value=np.clip(share.value, 0.0, 1.0))
    return Comparison(seats, gains, room, room_gains)


def _over_seats(sti: Replicated, target: float) -> dict[str, SeatStatistic]:
    return {
        "sti_median": sti.over_seats(median_of_seats),
        "sti_worst_tenth": sti.over_seats(quantile_of_seats(0.1)),
        "sti_share_of_seats": sti.over_seats(share_above(target)),
    }


Outcome = Literal["better", "worse", "no significant difference", "not evaluable", "reference"]


@dataclass(frozen=True)
class Verdict:
    """Whether a scenario differs from the one that it is measured against, by the STI of the median seat."""

    gain: float
    low: float
    high: float
    """Ends of the 95 % interval of this difference alone."""
    p_value: float
    """Two-sided, of this difference alone."""
    outcome: Outcome
    """For all scenarios of the study together (Holm): stricter than the interval alone."""
    is_noticeable: bool
    """The gain is at least one just noticeable difference."""

    @property
    def words(self) -> str:
        if self.outcome in ("better", "worse") and not self.is_noticeable:
            return f"{self.outcome}, below one JND"
        return self.outcome


def verdicts(results: Results) -> tuple[Verdict, ...]:
    """A verdict on every scenario, at a level of 5 % over all scenarios of the study together.

    Student's t of the jackknifed difference; Holm's step-down procedure keeps the level for the whole
    family, however the differences depend on each other (Holm, Scandinavian Journal of Statistics 6 (1979),
    65).
    """
    gain = results.room_gains["sti_median"]
    low, high = gain.interval()
    p_values = two_sided_p(gain)
    is_reference = np.array([record.compare_with == i for i, record in enumerate(results.scenarios)])
    differs = np.zeros(len(p_values), dtype=bool)
    tested = ~is_reference
    differs[tested] = holm(p_values[tested], FAMILY_LEVEL)
    noticeable = METRICS[STI].just_noticeable_difference
    assert noticeable is not None  # a row of the registry
    found = []
    for i, value in enumerate(gain.value):
        outcome: Outcome = "no significant difference"
        if is_reference[i]:
            outcome = "reference"
        elif not np.isfinite(value):
            outcome = "not evaluable"
        elif differs[i]:
            outcome = "better" if value > 0.0 else "worse"
        figures = (float(value), float(low[i]), float(high[i]), float(p_values[i]))
        found.append(Verdict(*figures, outcome, bool(abs(value) >= noticeable)))
    return tuple(found)


def two_sided_p(difference: Estimate) -> np.ndarray:
    """Probability of a difference at least as large if there were none; 1 where it cannot be evaluated.

    Two scenarios that are the same differ by exactly nothing, without any error: that is no evidence. A
    difference without any error that is not nothing is certain.
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
    # The first that fails stops all that follow.
    rejected[order] = np.logical_and.accumulate(passed)
    return rejected
