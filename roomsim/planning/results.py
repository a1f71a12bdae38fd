"""The results of a search, as they are computed, stored and reported.

A set of elements is a number whose bit i is 1 if it contains candidate i. The elements of the start are in every set.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from ..estimate import student_factor
from ..results.interval import Interval
from ..results.records import Caveat
from ..scene.plan_lines import PlanDrawing


@dataclass(frozen=True)
class Measure:
    """A quantity of a set of elements, by which sets are compared."""

    name: str
    label: str
    unit: str
    """"%" for a share (0.12 is shown as 12 %), "s", "dB", or empty for an index."""
    better: int
    """1 if more is better, -1 if less is better, 0 if neither is."""
    noticeable: float | None
    """One just noticeable difference, in the measure's own unit; None where none is known."""
    decimals: int


@dataclass(frozen=True)
class Goal:
    """A measure to be improved, its target, and the differences that are ignored."""

    measure: Measure
    target: float | None
    tolerance: float

    def worth(self, values: np.ndarray) -> np.ndarray:
        """Larger is better; values beyond the target are equal, and values that cannot be evaluated are the worst."""
        worth = self.measure.better * np.asarray(values, dtype=float)
        if self.target is not None:
            worth = np.minimum(worth, self.measure.better * self.target)
        return np.where(np.isfinite(worth), worth, -np.inf)

    def is_reached(self, value: float) -> bool:
        """Whether a value reaches the target; False without a target."""
        return self.target is not None and self.measure.better * (value - self.target) >= 0.0


@dataclass(frozen=True)
class Candidate:
    """An element that can be chosen."""

    name: str
    description: str
    cost: float
    """Hire, and rigging hours at the labour rate."""
    hire: float
    rigging_hours: float
    roof_points: int
    weight: float
    """kg."""
    hangs: bool


@dataclass(frozen=True)
class Option:
    """A set of elements with its cost, its demands and its measures."""

    number: int
    elements: tuple[str, ...]
    """Candidates in it, without the elements of the start."""
    cost: float
    rigging_hours: float
    roof_points: int
    weight: float
    """kg."""
    broken: tuple[str, ...]
    """Limits and relations that it does not keep."""
    values: dict[str, Interval]
    """Of a finalist from the paths traced for the finalists only, with other random numbers."""
    gains: dict[str, Interval]
    """Over the start, from the same paths."""
    searched: dict[str, Interval]
    """Values from the paths of the search."""

    def retraced_apart(self, measure: str, n_replicates: int) -> float:
        """The value from the finalists' paths minus that of the search, in standard errors of the difference."""
        first, second = self.searched[measure], self.values[measure]
        error = math.hypot(first.half_width, second.half_width) / student_factor(n_replicates)
        difference = second.value - first.value
        return difference / error if error > 0.0 else (0.0 if difference == 0.0 else math.inf)


@dataclass(frozen=True)
class EvaluatedSet:
    """A set that the search evaluated."""

    number: int
    cost: float
    is_allowed: bool
    """It keeps all limits and relations; the budget is not considered."""
    values: dict[str, float]
    """Of every measure; for errors see the options."""


@dataclass(frozen=True)
class Step:
    """The best set for an amount of money, compared with the last step that is worth taking."""

    money: float
    option: int
    against: int
    """Index of the step with which this one is compared: the last one before it whose gain was noticeable, or
    significant where no just noticeable difference is known; otherwise the start. The verdict on a large step therefore
    does not depend on small ones in between."""
    changes: dict[str, Interval]
    """Differences from the set that it is compared with, from the paths of the search."""
    verdict: str
    """"noticeable", "significant", "below one JND", "not significant"; of the first goal that changes."""


@dataclass(frozen=True)
class TargetCost:
    """The cheapest sets that reach the target of a goal."""

    measure: str
    target: float
    likely: int | None
    """Set that reaches it by its value; None if none does."""
    certain: int | None
    """By the less favourable end of its 95 % interval, Monte Carlo error only."""
    near: int | None
    """The cheapest set whose 95 % interval reaches it; None unless it is cheaper than `likely`."""


@dataclass(frozen=True)
class Contribution:
    """The contribution of one element to a measure."""

    element: str
    first: Interval
    """Added to the start."""
    average: Interval
    """Over the orders in which the elements may be added (Shapley value)."""
    last: Interval
    """Added to all the others."""


@dataclass(frozen=True)
class ContributionTable:
    """The gain of several elements together, divided among them."""

    measure: str
    of_plan: bool
    """Of the elements of the proposed plan; otherwise of all candidates."""
    together: Interval
    """Gain of all of them."""
    rows: tuple[Contribution, ...]
    n_orders: int | None
    """Number of orders evaluated; None for all orders."""


@dataclass(frozen=True)
class LeftOut:
    """A set with elements left out."""

    before: int
    after: int
    changes: dict[str, Interval]


@dataclass(frozen=True)
class AbsorptionCase:
    """The plan compared with other sets where absorption differs from the stated values."""

    case: str
    choice: int
    """The set that would be proposed in this case."""
    value: float
    """Of the plan, in the measure of `Robustness`."""
    behind: float
    """The amount by which the plan is worse than the best set; 0 if it is the best."""


@dataclass(frozen=True)
class Robustness:
    """The plan compared with the other sets considered, where absorption differs from the stated values."""

    measure: str
    """Of the first goal in which the sets differ by more than its tolerance, or of the first goal if there is none."""
    n_sets: int
    cases: tuple[AbsorptionCase, ...]
    n_draws: int
    stays_proposed: float
    """Share of the draws in which the plan would be proposed."""
    stays_as_good: float
    """Share of the draws in which no goal distinguishes the plan from the best set."""
    behind: float
    """The largest amount by which the plan is worse than the best set in 95 % of the draws."""


@dataclass(frozen=True)
class SearchOutcome:
    """The sets that were evaluated, and what is known of the distance to the best set."""

    sets: tuple[int, ...]
    """All evaluated sets that keep all limits and relations; the budget is not considered."""
    is_exhaustive: bool
    """These are all such sets."""
    n_possible: int | None
    """Number of all such sets; None if they were not counted."""
    n_evaluated: int
    goal: Goal
    """To which the following numbers refer: the first goal that the best set does not reach."""
    surrogate_error: float
    """Leave-one-out error of the surrogate; NaN where none was needed."""
    is_local_best: bool
    """No addition, removal or exchange of one element improves the best set."""
    bound: float
    """No allowed set is better than the best evaluated set by more than this, if no element adds more to a larger set
    than to the best one; 0 where all sets were evaluated, NaN where there is no bound."""
    diminishing: float
    """Share of the observed cases in which an element added no more to a larger set; NaN without any."""


@dataclass(frozen=True)
class LateEnergyOrigin:
    """Late energy of one set by the surface that it was reflected from last."""

    option: int
    after: float
    """s after the first sound, from which energy counts as late."""
    surfaces: tuple[str, ...]
    """Their names in the venue file, or the elements that cover them; the largest share first."""
    square_metres: Annotated[np.ndarray, (None,)]
    """(n_surfaces,) of all their sides in the room."""
    area_names: tuple[str, ...]
    share: Annotated[np.ndarray, (None, None, 8)]
    """(n_areas, n_surfaces, 8) of the late energy of an audience area in a band."""
    half_width: Annotated[np.ndarray, (None, None, 8)]
    """Half the 95 % interval of `share`."""
    overall: Annotated[np.ndarray, (None, 8)]
    """(n_surfaces, 8) of the late energy of all seats."""
    density: Annotated[np.ndarray, (None,)]
    """(n_patches,) share of the late energy of all seats at 500 Hz to 4 kHz, per square metre."""


@dataclass(frozen=True)
class NewLine:
    """A line along a wall that is not a candidate yet and conflicts with no rule stated in the study."""

    run: tuple[tuple[float, float], tuple[float, float]]
    top: float
    drop: float
    fabric: str
    square_metres: float
    cost: float
    """At the price per square metre of the line in the study."""
    late_share: float
    """Of the late energy at 500 Hz to 4 kHz that is reflected from the wall there."""
    gains: dict[str, Interval]
    """Over the proposed plan, if it is added."""


@dataclass(frozen=True)
class PlanResults:
    """The proposed set of elements, and the alternatives for other amounts of money."""

    title: str
    venue: str
    currency: str
    start: str
    start_elements: tuple[str, ...]
    budget: float | None
    money_step: float
    n_replicates: int
    """Independent replicates behind every interval."""
    measures: tuple[Measure, ...]
    goals: tuple[Goal, ...]
    candidates: tuple[Candidate, ...]
    refused: dict[str, str]
    """Elements that were requested and cannot be chosen -> reason."""
    options: tuple[Option, ...]
    """All sets to which the following fields refer by number; 0 is the start."""
    evaluated: tuple[EvaluatedSet, ...]
    proposed: int
    highest: int
    finalists: tuple[int, ...]
    front: dict[str, tuple[int, ...]]
    """Measure of each goal -> sets on the trade-off front, cheapest first."""
    steps: tuple[Step, ...]
    target_costs: tuple[TargetCost, ...]
    contributions: tuple[ContributionTable, ...]
    left_out: tuple[LeftOut, ...]
    """Each element of the plan by itself."""
    left_out_in_turn: tuple[LeftOut, ...]
    robustness: Robustness
    search: SearchOutcome
    late_energy: tuple[LateEnergyOrigin, ...]
    """Of the start and of the proposed plan."""
    outlines: Annotated[np.ndarray, (None, 4, 3)]
    """(n_faces, 4, 3) corners of every surface, m; the last of a triangle is repeated."""
    outline_patch: tuple[int, ...]
    """Patch of each, for `LateEnergyOrigin.density`."""
    outline_is_sheet: tuple[bool, ...]
    """Free-hanging cloth, in this set or not."""
    new_lines: tuple[NewLine, ...]
    drawing: PlanDrawing
    caveats: tuple[Caveat, ...]
    provenance: dict[str, str]

    @property
    def plan(self) -> Option:
        """The proposed set."""
        return self.option(self.proposed)

    def option(self, number: int) -> Option:
        """The set of this number."""
        return next(option for option in self.options if option.number == number)

    def measure(self, name: str) -> Measure:
        """The measure of this name."""
        return next(measure for measure in self.measures if measure.name == name)

    def members(self, number: int) -> tuple[str, ...]:
        """Names of the candidates in a set."""
        return tuple(one.name for i, one in enumerate(self.candidates) if (number >> i) & 1)

    def is_within_budget(self, cost: float) -> bool:
        """Whether a cost is within the budget, if there is one."""
        return self.budget is None or cost <= self.budget * (1.0 + 1e-9)
