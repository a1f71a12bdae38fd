"""The answer of a search as it is worked out, stored and reported.

A set of elements is a number: bit i stands for candidate i. What it has besides, the start, is in every set.
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
    """A number for a whole set of elements, by which sets are compared."""

    name: str
    label: str
    unit: str
    """"%" for a share (0.12 is shown as 12 %), "s", "dB", or empty for an index."""
    better: int
    """1 if more is better, -1 if less is, 0 if it depends."""
    noticeable: float | None
    """One just noticeable difference, in the measure's own unit; None where none is known."""
    decimals: int


@dataclass(frozen=True)
class Goal:
    """A measure that counts, its target, and the differences that do not matter."""

    measure: Measure
    target: float | None
    tolerance: float

    def worth(self, values: np.ndarray) -> np.ndarray:
        """More is better, more than the target is no better, and what cannot be evaluated is worst."""
        worth = self.measure.better * np.asarray(values, dtype=float)
        if self.target is not None:
            worth = np.minimum(worth, self.measure.better * self.target)
        return np.where(np.isfinite(worth), worth, -np.inf)

    def is_reached(self, value: float) -> bool:
        """Whether a value reaches the target; False without a target."""
        return self.target is not None and self.measure.better * (value - self.target) >= 0.0


@dataclass(frozen=True)
class Candidate:
    """An element that may be chosen."""

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
    """A set of elements: what it takes and what it gives."""

    number: int
    elements: tuple[str, ...]
    """Candidates in it, without the elements of the start."""
    cost: float
    rigging_hours: float
    roof_points: int
    weight: float
    """kg."""
    broken: tuple[str, ...]
    """Limits and relations that it breaks."""
    values: dict[str, Interval]
    """Of a finalist from the paths traced for the finalists only, with other random numbers."""
    gains: dict[str, Interval]
    """Over the start, from the same paths."""
    searched: dict[str, Interval]
    """Values from the paths of the search."""

    def retraced_apart(self, measure: str, n_replicates: int) -> float:
        """What the finalists' paths add to the value of the search, in standard errors of the difference."""
        first, second = self.searched[measure], self.values[measure]
        error = math.hypot(first.half_width, second.half_width) / student_factor(n_replicates)
        gap = second.value - first.value
        return gap / error if error > 0.0 else (0.0 if gap == 0.0 else math.inf)


@dataclass(frozen=True)
class EvaluatedSet:
    """A set that the search evaluated."""

    number: int
    cost: float
    is_allowed: bool
    """It keeps all limits and relations except, perhaps, the budget."""
    values: dict[str, float]
    """Of every measure; errors are those of the options near it."""


@dataclass(frozen=True)
class Step:
    """What can be had for an amount of money, and how much more that is than the last step worth taking."""

    money: float
    option: int
    against: int
    """Place among the steps of the one that this one is compared with: the last before it whose gain was noticeable,
    or significant where no just noticeable difference is known; else the start. So the verdict on a large step does
    not depend on the small ones in between."""
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
    """By the worse end of its 95 % interval, Monte Carlo error only."""
    near: int | None
    """The cheapest set that misses it by less than half its interval; None unless it is cheaper than `likely`."""


@dataclass(frozen=True)
class Contribution:
    """What one element adds to a measure."""

    element: str
    first: Interval
    """Added to nothing."""
    average: Interval
    """Over the orders in which the elements may be added (Shapley value)."""
    last: Interval
    """Added to all the others."""


@dataclass(frozen=True)
class ContributionTable:
    """How the gain of some elements together divides among them."""

    measure: str
    of_plan: bool
    """Of the elements of the proposed plan; otherwise of all candidates."""
    together: Interval
    """Gain of all of them."""
    rows: tuple[Contribution, ...]
    n_orders: int | None
    """Orders tried; None for all."""


@dataclass(frozen=True)
class LeftOut:
    """A set with something left out."""

    before: int
    after: int
    changes: dict[str, Interval]


@dataclass(frozen=True)
class AbsorptionCase:
    """How the plan compares where absorption differs from what is stated."""

    case: str
    choice: int
    """Set that would be proposed there."""
    value: float
    """Of the plan in the measure by which the sets differ."""
    behind: float
    """Of the plan behind the best set there; 0 if it is the best."""


@dataclass(frozen=True)
class Robustness:
    """How the plan compares with the other sets that were considered, if absorption is not as stated."""

    measure: str
    """Of the first goal in which sets differ by more than its tolerance, or else of the first."""
    n_sets: int
    cases: tuple[AbsorptionCase, ...]
    n_draws: int
    stays_proposed: float
    """Share of the draws in which the plan would be proposed."""
    stays_as_good: float
    """Share of the draws in which no goal distinguishes the plan from the best set."""
    behind: float
    """Largest amount by which the plan is behind the best set in 95 % of the draws."""


@dataclass(frozen=True)
class SearchOutcome:
    """Which sets were evaluated, and how near to the best the answer is known to be."""

    sets: tuple[int, ...]
    """All sets evaluated that break nothing except, perhaps, the budget."""
    is_exhaustive: bool
    """These are all that there are."""
    n_possible: int | None
    """Number of sets that break nothing except, perhaps, the budget; None if they were not counted."""
    n_evaluated: int
    goal: Goal
    """To which the following numbers refer: the first goal that the best set does not reach."""
    surrogate_error: float
    """Of the surrogate at sets to which it was not fitted; NaN where none was needed."""
    is_local_best: bool
    """No addition, removal or exchange of one element improves on the best set."""
    bound: float
    """No allowed set is better than the best found by more than this, if each element adds no more to a larger set
    than to the best; 0 where all sets were evaluated, NaN where it says nothing."""
    diminishing: float
    """Share of the cases seen in which an element added no more to a larger set; NaN where there were none."""


@dataclass(frozen=True)
class LateEnergyOrigin:
    """Late energy of one set by the surface that it was reflected from last."""

    option: int
    after: float
    """s after the first sound, from which energy is late."""
    surfaces: tuple[str, ...]
    """As the venue file names them, or the element that covers them; the largest share first."""
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
    """A line along a wall that is no candidate yet and breaks no rule that the study states."""

    run: tuple[tuple[float, float], tuple[float, float]]
    top: float
    drop: float
    fabric: str
    square_metres: float
    cost: float
    """At the price per square metre of the study's own line."""
    late_share: float
    """Of the late energy at 500 Hz to 4 kHz that is reflected from the wall there."""
    gains: dict[str, Interval]
    """Over the proposed plan, if it is added."""


@dataclass(frozen=True)
class PlanResults:
    """Which set of elements is proposed, and what more money buys."""

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
    """Elements that were asked for and may not be chosen -> reason."""
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
    """Free-hanging cloth, whether hung or not."""
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
        """Whether a cost keeps the budget, if there is one."""
        return self.budget is None or cost <= self.budget * (1.0 + 1e-9)
