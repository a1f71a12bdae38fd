"""Whether the same set is proposed if absorption differs from the tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..elements.finishes import Variation
from ..metrics.common_seats import TIMES, common_seats
from ..scene.compile import with_element_sets
from ..scene.variation import AbsorptionDraw
from ..study.evaluator import Evaluator
from ..venue.document import Study
from .candidates import Candidates
from .evaluation import Problem
from .goals import SeatMeasure, metrics_of
from .results import AbsorptionCase, Goal, Robustness

BATCHES = 10
"""Batches of paths per source that are weighted again for each case. The values for the absorption as stated are
computed from the same batches, so that Monte Carlo error cancels in the shifts."""


def scaled(materials: float, fabrics: float) -> Variation:
    """All absorption coefficients multiplied by a factor: a systematic error of a laboratory, a batch or a season."""

    def vary(of: str, name: str, absorption: np.ndarray, uncertainty: float) -> np.ndarray:
        # Openings are not changed.
        factor = fabrics if of == "fabric" else materials
        return np.where(absorption >= 1.0, 1.0, np.clip(factor * absorption, 0.0, 1.0))

    return vary


_CHANGES = {"20 % less": 0.8, "10 % less": 0.9, "10 % more": 1.1, "20 % more": 1.2}
CASES = {
    **{f"cloth absorbs {words}": scaled(1.0, factor) for words, factor in _CHANGES.items()},
    **{f"the venue absorbs {words}": scaled(factor, 1.0) for words, factor in _CHANGES.items()},
}


@dataclass(frozen=True)
class Shifts:
    """Changes of the measures of sets with different absorption."""

    sets: tuple[int, ...]
    """The start first."""
    cases: dict[str, dict[str, np.ndarray]]
    """Case -> measure -> (n_sets,)."""
    draws: tuple[dict[str, np.ndarray], ...]
    """Of each draw of the absorption within its stated uncertainty: measure -> (n_sets,)."""

    def input_error(self, measure: str, mask: int) -> tuple[float, float] | None:
        """Standard uncertainty of the value of a set, and of its gain over the start; None if it was not evaluated."""
        if mask not in self.sets or not self.draws:
            return None
        drawn = np.array([draw[measure] for draw in self.draws])
        of_set = drawn[:, self.sets.index(mask)]
        value, gain = (float(np.sqrt((shift**2).mean())) for shift in (of_set, of_set - drawn[:, 0]))
        return value, gain


def shifts_of(
    evaluator: Evaluator,
    study: Study,
    candidates: Candidates,
    measures: Mapping[str, SeatMeasure],
    sets: Sequence[int],
) -> Shifts:
    """Weight the paths once for each case and draw.

    Parameters
    ----------
    evaluator : of a scene with all elements of these sets
    sets : the start (0) first
    """
    present, noise = [candidates.present(mask) for mask in sets], study.document.noise_of(candidates.start)
    n_draws = study.document.uncertainty.draws
    evaluator.progress.start("Trying other absorption", 1 + len(CASES) + n_draws)

    def figures(variation: Variation | None) -> dict[str, np.ndarray]:
        scene = with_element_sets(evaluator.scene, study, present, noise, variation)
        whole = evaluator.with_scenarios(scene).whole_figures(metrics_of(measures), BATCHES)
        evaluator.progress.advance()
        return whole

    stated = figures(None)
    cases = {name: shift_of(measures, stated, figures(variation)) for name, variation in CASES.items()}
    variations = [AbsorptionDraw(study.document.seed, i) for i in range(n_draws)]
    draws = tuple(shift_of(measures, stated, figures(variation)) for variation in variations)
    return Shifts(tuple(sets), cases, draws)


def shift_of(
    measures: Mapping[str, SeatMeasure], stated: Mapping[str, np.ndarray], varied: Mapping[str, np.ndarray]
) -> dict[str, np.ndarray]:
    """Measure -> (n_sets,): its value with different absorption minus the one with absorption as stated.

    Decay times are averaged over the seats that have all of them in both cases, so that a shift shows the change of the
    room and not a change of the seats that have a time.

    Parameters
    ----------
    stated, varied : metric -> (n_receivers, n_sets) or (n_receivers, n_sets, 8), NaN where it cannot be evaluated
    """
    both = {name: np.isfinite(stated[name]) & np.isfinite(varied[name]) for name in TIMES}
    common = common_seats(both)

    def value(row: SeatMeasure, seats: Mapping[str, np.ndarray]) -> np.ndarray:
        of_metric = seats[row.metric]
        if row.metric in common:
            of_metric = np.where(common[row.metric], of_metric, np.nan)
        return np.asarray(row.statistic(of_metric), dtype=float)

    return {name: value(row, varied) - value(row, stated) for name, row in measures.items()}


def robustness(problem: Problem, shifts: Shifts, plan: int, sets: Sequence[int]) -> Robustness:
    """Choose again in every case and draw, among `sets`, which are all in `shifts` and contain the plan."""
    place = [shifts.sets.index(mask) for mask in sets]
    values = problem.goal_values(sets)
    deciding = _deciding(problem.goals, values)
    at = sets.index(plan)

    def compare(case: str, shift: Mapping[str, np.ndarray]) -> tuple[AbsorptionCase, bool]:
        moved = {name: value + shift[name][place] for name, value in values.items()}
        value = moved[deciding.measure.name]
        worth = deciding.worth(value)
        best = sets.index(problem.ranked(sets, moved)[0])
        behind = max(float(worth[best] - worth[at]), 0.0)
        is_as_good = plan in problem.equivalent(sets, moved)
        return AbsorptionCase(case, problem.proposed(sets, moved), float(value[at]), behind), is_as_good

    drawn = [compare(str(i), shift) for i, shift in enumerate(shifts.draws)]
    return Robustness(
        measure=deciding.measure.name,
        n_sets=len(sets),
        cases=tuple(compare(name, shift)[0] for name, shift in shifts.cases.items()),
        n_draws=len(drawn),
        stays_proposed=float(np.mean([case.choice == plan for case, _ in drawn])) if drawn else np.nan,
        stays_as_good=float(np.mean([is_as_good for _, is_as_good in drawn])) if drawn else np.nan,
        behind=float(np.quantile([case.behind for case, _ in drawn], 0.95)) if drawn else np.nan,
    )


def _deciding(goals: Sequence[Goal], values: Mapping[str, np.ndarray]) -> Goal:
    """The first goal in which the sets differ by more than its tolerance; the first of all if there is none."""
    for goal in goals:
        worth = goal.worth(values[goal.measure.name])
        if np.isfinite(worth).any() and np.ptp(worth[np.isfinite(worth)]) > goal.tolerance:
            return goal
    return goals[0]
