"""Whether the choice remains if absorption differs from the tables."""

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
from .goals import SeatMeasure, equals, metrics_of, proposed, ranking
from .results import AbsorptionCase, Goal, Robustness

BATCHES = 10
"""Batches of paths per source that are weighted again for each case. The values with absorption as stated come
from the same ones, so that chance cancels in the shifts."""


@dataclass(frozen=True)
class Scaled:
    """All absorption off by a factor: a laboratory's, a batch's, a season's."""

    materials: float
    fabrics: float

    def __call__(self, of: str, name: str, absorption: np.ndarray, uncertainty: float) -> np.ndarray:
        """(8,) of a material or a fabric as it hangs; an opening stays open."""
        factor = self.fabrics if of == "fabric" else self.materials
        return np.where(absorption >= 1.0, 1.0, np.clip(factor * absorption, 0.0, 1.0))


_CHANGES = {"20 % less": 0.8, "10 % less": 0.9, "10 % more": 1.1, "20 % more": 1.2}
CASES = {
    **{f"cloth absorbs {words}": Scaled(1.0, factor) for words, factor in _CHANGES.items()},
    **{f"the venue absorbs {words}": Scaled(factor, 1.0) for words, factor in _CHANGES.items()},
}


@dataclass(frozen=True)
class Shifts:
    """What other absorption does to the measures of sets."""

    sets: tuple[int, ...]
    """The start first."""
    cases: dict[str, dict[str, np.ndarray]]
    """Case -> measure -> (n_sets,)."""
    draws: dict[str, np.ndarray]
    """Measure -> (n_draws, n_sets), absorption drawn within its stated uncertainty."""

    def input_error(self, measure: str, mask: int) -> tuple[float, float] | None:
        """Standard uncertainty of the value of a set, and of its gain over the start; None where it is not known."""
        drawn = self.draws[measure]
        if mask not in self.sets or not len(drawn):
            return None
        of_set = drawn[:, self.sets.index(mask)]
        value, gain = (float(np.sqrt((shift**2).mean())) for shift in (of_set, of_set - drawn[:, 0]))
        return value, gain


def shifts_of(
    engine: Evaluator,
    study: Study,
    candidates: Candidates,
    measures: Mapping[str, SeatMeasure],
    sets: Sequence[int],
) -> Shifts:
    """Weigh the paths once for each case and draw.

    Parameters
    ----------
    engine : in whose scene all these sets are
    sets : the start (0) first
    """
    present, noise = [candidates.present(mask) for mask in sets], study.document.noise_of(candidates.start)
    n_draws = study.document.uncertainty.draws
    engine.progress.start("Trying other absorption", 1 + len(CASES) + n_draws)

    def seats(variation: Variation | None) -> dict[str, np.ndarray]:
        scene = with_element_sets(engine.scene, study, present, noise, variation)
        found = engine.with_scenarios(scene).whole_figures(metrics_of(measures), BATCHES)
        engine.progress.advance()
        return found

    stated = seats(None)
    cases = {name: shift_of(measures, stated, seats(variation)) for name, variation in CASES.items()}
    draws = [AbsorptionDraw(study.document.seed, i) for i in range(n_draws)]
    drawn = [shift_of(measures, stated, seats(draw)) for draw in draws]
    return Shifts(
        sets=tuple(sets),
        cases=cases,
        draws={name: np.array([one[name] for one in drawn]).reshape(n_draws, len(sets)) for name in measures},
    )


def shift_of(
    measures: Mapping[str, SeatMeasure], stated: Mapping[str, np.ndarray], varied: Mapping[str, np.ndarray]
) -> dict[str, np.ndarray]:
    """(n_sets,) by measure: what it becomes with other absorption minus what it is as stated.

    Decay times are averaged over the seats that have all of them both ways, so that a shift is that of the room and
    not that of the seats at which a time happens to be found.

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
    """Choose again in every case and draw, among `sets` (all of them in `shifts`), which hold the plan."""
    goals, half_widths = problem.goals, problem.evaluator.half_widths
    place = [shifts.sets.index(mask) for mask in sets]
    values = problem.goal_values(sets)
    deciding = _deciding(goals, values)
    burden, cost = problem.candidates.burden(sets), problem.costs(sets)
    at = sets.index(plan)

    def compare(case: str, shift: Mapping[str, np.ndarray]) -> tuple[AbsorptionCase, bool]:
        moved = {name: value + shift[name][place] for name, value in values.items()}
        choice = proposed(goals, sets, moved, half_widths, burden)
        value = moved[deciding.measure.name]
        worth = deciding.worth(value)
        behind = max(float(worth[ranking(goals, moved, cost)[0]] - worth[at]), 0.0)
        as_good = at in equals(goals, sets, moved, half_widths)
        return AbsorptionCase(case, choice, float(value[at]), behind), as_good

    n_draws = len(next(iter(shifts.draws.values())))
    drawn = [compare(str(i), {name: shifts.draws[name][i] for name in values}) for i in range(n_draws)]
    return Robustness(
        measure=deciding.measure.name,
        n_sets=len(sets),
        cases=tuple(compare(name, shift)[0] for name, shift in shifts.cases.items()),
        n_draws=n_draws,
        stays_proposed=float(np.mean([one.choice == plan for one, _ in drawn])) if drawn else np.nan,
        stays_as_good=float(np.mean([good for _, good in drawn])) if drawn else np.nan,
        behind=float(np.quantile([one.behind for one, _ in drawn], 0.95)) if drawn else np.nan,
    )


def _deciding(goals: Sequence[Goal], values: Mapping[str, np.ndarray]) -> Goal:
    """The first goal in which sets differ by more than its tolerance, or else the first."""
    for goal in goals:
        worth = goal.worth(values[goal.measure.name])
        if np.isfinite(worth).any() and np.ptp(worth[np.isfinite(worth)]) > goal.tolerance:
            return goal
    return goals[0]
