"""Sets of elements evaluated on shared paths, each once, and ranked by the goals of a study."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..estimate import Estimate
from ..metrics.replicated import SeatStatistic
from ..results.interval import Interval, interval_of
from ..scene.compile import with_element_sets
from ..study.evaluator import FEWEST_SCENARIOS, Evaluator
from ..study.progress import Progress
from ..venue.document import Scenario, Study
from .candidates import BUDGET, Candidates
from .goals import SeatMeasure, metrics_of, proposed, ranking, statistics
from .results import Goal

Evaluate = Callable[[Sequence[int]], Mapping[str, SeatStatistic]]
"""Sets -> measure -> statistic over the seats, (n_sets,), all from the same replicates."""


class SetEvaluator:
    """Measures of sets, kept. Differences between any two sets have the error of the difference itself.

    Parameters
    ----------
    evaluate : evaluates sets that are not known yet
    measures : those whose values have ends; others have none
    block : number of sets that it is given at a time at most
    """

    def __init__(
        self,
        evaluate: Evaluate,
        measures: Mapping[str, SeatMeasure] | None = None,
        block: int = FEWEST_SCENARIOS,
        progress: Progress | None = None,
    ):
        self._evaluate, self._measures, self._block = evaluate, dict(measures or {}), block
        self._progress = progress or Progress()
        self._place: dict[int, int] = {}
        self._known: dict[str, SeatStatistic] = {}

    @property
    def sets(self) -> tuple[int, ...]:
        """All that were evaluated so far."""
        return tuple(self._place)

    def ensure(self, sets: Sequence[int]) -> None:
        """Evaluate those that are not known yet."""
        new = [mask for mask in dict.fromkeys(int(mask) for mask in sets) if mask not in self._place]
        if new:
            self._progress.start("Evaluating sets", len(new))
        for block in (new[i : i + self._block] for i in range(0, len(new), self._block)):
            for name, found in self._evaluate(block).items():
                self._known[name] = _joined(self._known[name], found) if name in self._known else found
            for mask in block:
                self._place[mask] = len(self._place)
            self._progress.advance(len(block))

    def statistic(self, measure: str, sets: Sequence[int]) -> SeatStatistic:
        """Of these sets, in this order; evaluated if need be."""
        self.ensure(sets)
        return self._known[measure].scenarios([self._place[int(mask)] for mask in sets])

    def estimate(self, measure: str, sets: Sequence[int]) -> Estimate:
        """(n_sets,)."""
        found = self.statistic(measure, sets).estimate()
        if measure not in self._measures:
            return found
        ends = self._measures[measure]
        return replace(found, value=np.clip(found.value, ends.low, ends.high))

    def difference(self, measure: str, sets: Sequence[int], against: Sequence[int]) -> Estimate:
        """(n_sets,) each set minus the one beside it in `against`."""
        return self.statistic(measure, sets).difference(self.statistic(measure, against))

    def half_widths(self, measure: str, one: int, others: Sequence[int]) -> np.ndarray:
        """(n_sets,) half the 95 % interval of the difference of each of the others to the one."""
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


def evaluate_on_paths(
    engine: Evaluator, study: Study, candidates: Candidates, measures: Mapping[str, SeatMeasure]
) -> Evaluate:
    """Evaluates sets on the paths of an engine in whose scene all candidates are."""
    return lambda sets: evaluate_elements(
        engine, study, candidates.start, [candidates.present(mask) for mask in sets], measures
    )


def evaluate_elements(
    engine: Evaluator, study: Study, start: Scenario, sets: Sequence[Collection[str]],
    measures: Mapping[str, SeatMeasure],
) -> dict[str, SeatStatistic]:  # fmt: skip
    """Every measure of the start scenario with other elements: (n_sets,), of sets of names."""
    scene = with_element_sets(engine.scene, study, sets, study.document.noise_of(start))
    # Progress is shown by sets and not within each block.
    weighed = engine.with_scenarios(scene, Progress())
    return statistics(measures, weighed.evaluate(metrics_of(measures)))


@dataclass(frozen=True)
class Problem:
    """What may be chosen, how it is evaluated, what counts and what may be spent."""

    candidates: Candidates
    evaluator: SetEvaluator
    goals: Sequence[Goal]
    budget: float | None

    def costs(self, sets: Sequence[int]) -> np.ndarray:
        """(n_sets,)."""
        return self.candidates.cost(self.candidates.bits(sets))

    def affordable(self, sets: Sequence[int], money: float | None) -> list[int]:
        """Those of the sets that cost no more; all without a limit."""
        if money is None:
            return list(sets)
        return [mask for mask, price in zip(sets, self.costs(sets)) if price <= money * (1.0 + 1e-9)]

    def allowed(self, sets: Sequence[int]) -> list[int]:
        """Those of the sets that break nothing except, perhaps, the budget."""
        fine = self.candidates.allowed(self.candidates.bits(sets), but=(BUDGET,))
        return [mask for mask, is_fine in zip(sets, fine) if is_fine]

    def within_budget(self, sets: Sequence[int]) -> list[int]:
        """Those of the sets that cost no more than the budget."""
        return self.affordable(sets, self.budget)

    def goal_values(self, sets: Sequence[int]) -> dict[str, np.ndarray]:
        """(n_sets,) by the measure of each goal, without errors."""
        names = [goal.measure.name for goal in self.goals]
        return {name: self.evaluator.estimate(name, sets).value for name in names}

    def ranked(self, sets: Sequence[int]) -> list[int]:
        """The sets, best first, goal by goal; of equal ones the cheapest first."""
        return [sets[i] for i in ranking(self.goals, self.goal_values(sets), self.costs(sets))]

    def is_reached(self, goal: Goal, mask: int) -> bool:
        """Whether the value of a set reaches the target of a goal."""
        return goal.is_reached(float(self.evaluator.estimate(goal.measure.name, [mask]).value[0]))

    def proposed(self, sets: Sequence[int]) -> int:
        """The least demanding of the sets that no goal distinguishes from the best."""
        values = self.goal_values(sets)
        return proposed(self.goals, sets, values, self.evaluator.half_widths, self.candidates.burden(sets))
