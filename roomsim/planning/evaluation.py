"""Sets of elements evaluated on shared paths, each one once, and ranked by the goals of a study."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..estimate import Estimate
from ..metrics.replicated import SeatStatistic
from ..results.interval import Interval, interval_of
from ..scene.compile import with_element_sets
from ..study.evaluator import FEWEST_SCENARIOS, Evaluator
from ..study.progress import Progress
from ..venue.document import Scenario, Study
from .candidates import BUDGET, Candidates
from .goals import SeatMeasure, metrics_of, statistics
from .results import Goal

Evaluate = Callable[[Sequence[int]], Mapping[str, SeatStatistic]]
"""Sets -> measure -> statistic over the seats, (n_sets,), all from the same replicates."""


@dataclass
class SetEvaluator:
    """The measures of sets, each set evaluated once. Differences between sets have the error of the difference itself.

    Parameters
    ----------
    evaluate : evaluates sets
    measures : those with a limited range of values
    block : largest number of sets evaluated at a time
    """

    evaluate: Evaluate
    measures: Mapping[str, SeatMeasure] = field(default_factory=dict)
    block: int = FEWEST_SCENARIOS
    progress: Progress = field(default_factory=Progress)
    _place: dict[int, int] = field(default_factory=dict, init=False)
    _known: dict[str, SeatStatistic] = field(default_factory=dict, init=False)

    @property
    def sets(self) -> tuple[int, ...]:
        """All sets evaluated so far."""
        return tuple(self._place)

    def ensure(self, sets: Sequence[int]) -> None:
        """Evaluate the sets that have not been evaluated yet."""
        new = [mask for mask in dict.fromkeys(int(mask) for mask in sets) if mask not in self._place]
        if new:
            self.progress.start("Evaluating sets", len(new))
        for block in (new[i : i + self.block] for i in range(0, len(new), self.block)):
            for name, statistic in self.evaluate(block).items():
                self._known[name] = _joined(self._known[name], statistic) if name in self._known else statistic
            for mask in block:
                self._place[mask] = len(self._place)
            self.progress.advance(len(block))

    def statistic(self, measure: str, sets: Sequence[int]) -> SeatStatistic:
        """Of these sets, in this order; they are evaluated first if necessary."""
        self.ensure(sets)
        return self._known[measure].scenarios([self._place[int(mask)] for mask in sets])

    def estimate(self, measure: str, sets: Sequence[int]) -> Estimate:
        """(n_sets,)."""
        estimate, limited = self.statistic(measure, sets).estimate(), self.measures.get(measure)
        return replace(estimate, value=np.clip(estimate.value, limited.low, limited.high)) if limited else estimate

    def difference(self, measure: str, sets: Sequence[int], against: Sequence[int]) -> Estimate:
        """(n_sets,) each set minus the one at the same place in `against`."""
        return self.statistic(measure, sets).difference(self.statistic(measure, against))

    def half_widths(self, measure: str, one: int, others: Sequence[int]) -> np.ndarray:
        """(n_sets,) half the 95 % interval of the difference between each of the others and the one."""
        return self.difference(measure, others, [one] * len(others)).half_width()

    def intervals(self, mask: int) -> dict[str, Interval]:
        """Every measure of a set."""
        self.ensure([mask])
        return {name: interval_of(self.estimate(name, [mask])) for name in self._known}

    def changes(self, after: int, before: int) -> dict[str, Interval]:
        """Every measure of one set minus that of another."""
        self.ensure([after, before])
        return {name: interval_of(self.difference(name, [after], [before])) for name in self._known}


def _joined(known: SeatStatistic, new: SeatStatistic) -> SeatStatistic:
    return SeatStatistic(
        value=np.concatenate([known.value, new.value]),
        moved=np.concatenate([known.moved, new.moved], axis=1),
        moved_further=np.concatenate([known.moved_further, new.moved_further], axis=1),
        n_replicates=known.n_replicates,
    )


def evaluate_elements(
    evaluator: Evaluator, study: Study, start: Scenario, sets: Sequence[Collection[str]],
    measures: Mapping[str, SeatMeasure],
) -> dict[str, SeatStatistic]:  # fmt: skip
    """Every measure of the start scenario with other elements: (n_sets,), of sets of names."""
    scene = with_element_sets(evaluator.scene, study, sets, study.document.noise_of(start))
    # Progress is reported by sets and not within each block.
    of_sets = evaluator.with_scenarios(scene, Progress())
    return statistics(measures, of_sets.evaluate(metrics_of(measures)))


@dataclass(frozen=True)
class Problem:
    """The candidates, their evaluation, the goals, and the budget."""

    candidates: Candidates
    evaluator: SetEvaluator
    goals: Sequence[Goal]
    budget: float | None

    def costs(self, sets: Sequence[int]) -> np.ndarray:
        """(n_sets,)."""
        return self.candidates.cost(self.candidates.bits(sets))

    def affordable(self, sets: Sequence[int], money: float | None) -> list[int]:
        """Those of the sets that cost no more than `money`; all if it is None."""
        most = np.inf if money is None else money * (1.0 + 1e-9)
        return [mask for mask, cost in zip(sets, self.costs(sets)) if cost <= most]

    def allowed(self, sets: Sequence[int]) -> list[int]:
        """Those of the sets that exceed no limit and break no relation, whether within the budget or not."""
        is_allowed = self.candidates.allowed(self.candidates.bits(sets), but=(BUDGET,))
        return [mask for mask, allowed in zip(sets, is_allowed) if allowed]

    def within_budget(self, sets: Sequence[int]) -> list[int]:
        """Those of the sets that cost no more than the budget."""
        return self.affordable(sets, self.budget)

    def goal_values(self, sets: Sequence[int]) -> dict[str, np.ndarray]:
        """Measure of each goal -> (n_sets,), without errors."""
        names = [goal.measure.name for goal in self.goals]
        return {name: self.evaluator.estimate(name, sets).value for name in names}

    def is_reached(self, goal: Goal, mask: int) -> bool:
        """Whether the value of a set reaches the target of a goal."""
        return goal.is_reached(float(self.evaluator.estimate(goal.measure.name, [mask]).value[0]))

    # By priorities and not by weights. `values` are those of `goal_values` unless others are assumed.

    def ranked(self, sets: Sequence[int], values: Mapping[str, np.ndarray] | None = None) -> list[int]:
        """The sets, the best first: by the first goal, among equal ones by the next, and finally by cost."""
        values = self.goal_values(sets) if values is None else values
        keys = [-goal.worth(values[goal.measure.name]) for goal in reversed(self.goals)]
        return [sets[i] for i in np.lexsort([np.round(self.costs(sets), 6), *keys])]

    def equivalent(self, sets: Sequence[int], values: Mapping[str, np.ndarray] | None = None) -> list[int]:
        """The sets that no goal distinguishes from the best.

        Goal after goal, sets are excluded that are worse than the best of the remaining ones by more than the goal's
        tolerance and by more than the Monte Carlo error explains.
        """
        values = self.goal_values(sets) if values is None else values
        worths = [goal.worth(values[goal.measure.name]) for goal in self.goals]
        left = list(range(len(sets)))
        for i, (goal, worth) in enumerate(zip(self.goals, worths)):
            best = max(left, key=lambda k: tuple(other[k] for other in worths[i:]))
            half = self.evaluator.half_widths(goal.measure.name, sets[best], [sets[k] for k in left])
            allowance = np.maximum(goal.tolerance, np.nan_to_num(half, nan=0.0))
            # Where no set can be evaluated, none is worse.
            behind = worth[best] - worth[left] if np.isfinite(worth[best]) else np.zeros(len(left))
            left = [k for k, gap, most in zip(left, behind, allowance) if gap <= most or k == best]
        return [sets[k] for k in left]

    def proposed(self, sets: Sequence[int], values: Mapping[str, np.ndarray] | None = None) -> int:
        """The least demanding of the equivalent sets, by cost, rigging hours and number of elements."""
        burden = dict(zip(sets, self.candidates.burden(sets)))
        return min(self.equivalent(sets, values), key=lambda mask: (burden[mask], mask))
