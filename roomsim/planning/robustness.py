"""Whether the choice stands if absorption is not what the tables say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..metrics.replicated import SeatFunction
from ..scene.compile import with_scenarios_of
from ..scene.factors import Variation
from ..scene.variation import AbsorptionDraw
from ..study.evaluator import Evaluator
from ..venue.document import Study
from ..venue.mesh import VenueMesh
from .candidates import Candidates, study_of_sets
from .goals import Figure, Goal, equals, proposed, ranking
from .valuation import Valuation

BATCHES = 10
"""Batches of paths a source that are weighed anew for each case. The figures as stated come from the same
ones, so that chance drops out of the shifts."""


@dataclass(frozen=True)
class Scaled:
    """All absorption off by a factor: a laboratory's, a batch's, a season's."""

    materials: float
    fabrics: float

    def material(self, name: str, absorption: np.ndarray) -> np.ndarray:
        """(8,); an opening stays open."""
        return np.where(absorption >= 1.0, 1.0, np.clip(self.materials * absorption, 0.0, 1.0))

    def fabric(self, name: str, absorption: np.ndarray, uncertainty: float) -> np.ndarray:
        """(8,) as it hangs."""
        return np.clip(self.fabrics * absorption, 0.0, 1.0)


CASES: dict[str, Scaled] = {
    "cloth absorbs 20 % less": Scaled(1.0, 0.8),
    "cloth absorbs 10 % less": Scaled(1.0, 0.9),
    "cloth absorbs 10 % more": Scaled(1.0, 1.1),
    "cloth absorbs 20 % more": Scaled(1.0, 1.2),
    "the venue absorbs 20 % less": Scaled(0.8, 1.0),
    "the venue absorbs 10 % less": Scaled(0.9, 1.0),
    "the venue absorbs 10 % more": Scaled(1.1, 1.0),
    "the venue absorbs 20 % more": Scaled(1.2, 1.0),
}


@dataclass(frozen=True)
class Shifts:
    """What other absorption does to the figures of sets."""

    sets: tuple[int, ...]
    """The start first."""
    cases: dict[str, dict[str, np.ndarray]]
    """Case -> figure -> (n_sets,)."""
    draws: dict[str, np.ndarray]
    """Figure -> (n_draws, n_sets), absorption drawn within its stated uncertainty."""

    def input_error(self, figure: str) -> np.ndarray:
        """(n_sets,) standard uncertainty of the gain over the start."""
        return _spread(self.draws[figure] - self.draws[figure][:, :1])

    def value_error(self, figure: str) -> np.ndarray:
        """(n_sets,) standard uncertainty of the value."""
        return _spread(self.draws[figure])


def _spread(shifts: np.ndarray) -> np.ndarray:
    if not len(shifts):
        return np.full(shifts.shape[1], np.nan)
    return np.sqrt((shifts**2).mean(axis=0))


def shifts_of(
    engine: Evaluator,
    study: Study,
    mesh: VenueMesh,
    candidates: Candidates,
    figures: Mapping[str, Figure],
    sets: Sequence[int],
) -> Shifts:
    """Weigh the paths once for each case and draw.

    Parameters
    ----------
    engine : in whose scene all these sets are
    sets : the start (0) first
    """
    of_sets = study_of_sets(study, candidates.start, [candidates.members(mask) for mask in sets])
    metrics = list(dict.fromkeys(figure.metric for figure in figures.values()))

    n_draws = study.document.uncertainty.draws
    engine.progress.start("Trying other absorption", 1 + len(CASES) + n_draws)

    def weighed(variation: Variation | None) -> dict[str, np.ndarray]:
        scene = with_scenarios_of(engine.scene, of_sets, mesh, variation)
        seats = engine.with_scenarios(scene).whole_figures(metrics, BATCHES)
        engine.progress.advance()
        return {name: _over(figure.statistic, seats[figure.metric]) for name, figure in figures.items()}

    stated = weighed(None)

    def shift(variation: Variation) -> dict[str, np.ndarray]:
        return {name: values - stated[name] for name, values in weighed(variation).items()}

    cases = {name: shift(variation) for name, variation in CASES.items()}
    drawn = [shift(AbsorptionDraw(study.materials, study.document.seed, i)) for i in range(n_draws)]
    draws = {name: np.array([draw[name] for draw in drawn]).reshape(n_draws, len(sets)) for name in figures}
    return Shifts(tuple(sets), cases, draws)


def _over(statistic: SeatFunction, seats: np.ndarray) -> np.ndarray:
    return np.asarray(statistic(seats), dtype=float)


@dataclass(frozen=True)
class Standing:
    """How a choice fares where absorption is another."""

    case: str
    choice: int
    """What would be proposed there."""
    value: float
    """Of the plan in the first goal that tells sets apart."""
    behind: float
    """Of the plan behind the best there, in that goal; 0 if it is the best."""


@dataclass(frozen=True)
class Robustness:
    """How a plan stands against the other sets that were looked at, if absorption is not as stated."""

    figure: str
    """The first goal in which sets differ by more than its tolerance, or else the first."""
    n_sets: int
    cases: tuple[Standing, ...]
    n_draws: int
    stays_proposed: float
    """Share of the draws in which the plan would be proposed."""
    stays_as_good: float
    """Share of the draws in which no set is better by more than the tolerance of any goal down to
    `figure`."""
    behind: float
    """Largest lag behind the best in 95 % of the draws."""


def robustness(
    candidates: Candidates, valuation: Valuation, goals: Sequence[Goal], shifts: Shifts, plan: int,
    sets: Sequence[int],
) -> Robustness:  # fmt: skip
    """Choose again in every case and draw, among `sets` (all of them in `shifts`), which hold the plan."""
    place = [shifts.sets.index(mask) for mask in sets]
    names = [goal.figure.name for goal in goals]
    values = valuation.values(names, sets)
    deciding = _deciding(goals, values)
    bits = candidates.bits(sets)
    cost, hours = candidates.cost(bits), bits @ candidates.hours
    burden = [(float(c), float(h), float(n)) for c, h, n in zip(cost, hours, bits.sum(axis=1))]
    at = sets.index(plan)

    def stand(case: str, shift: Mapping[str, np.ndarray]) -> tuple[Standing, bool]:
        moved = {name: values[name] + shift[name][place] for name in names}
        choice = proposed(goals, sets, moved, valuation.half_widths, burden)
        worth = deciding.worth(moved[deciding.figure.name])
        leading = ranking(goals, moved, cost)[0]
        behind = max(float(worth[leading] - worth[at]), 0.0)
        as_good = at in equals(goals, sets, moved, valuation.half_widths)
        return Standing(case, choice, float(moved[deciding.figure.name][at]), behind), as_good

    cases = [stand(name, shift)[0] for name, shift in shifts.cases.items()]
    n_draws = len(next(iter(shifts.draws.values())))
    drawn = [stand(str(i), {name: shifts.draws[name][i] for name in names}) for i in range(n_draws)]
    return Robustness(
        figure=deciding.figure.name,
        n_sets=len(sets),
        cases=tuple(cases),
        n_draws=n_draws,
        stays_proposed=float(np.mean([one.choice == plan for one, _ in drawn])) if drawn else np.nan,
        stays_as_good=float(np.mean([good for _, good in drawn])) if drawn else np.nan,
        behind=float(np.quantile([one.behind for one, _ in drawn], 0.95)) if drawn else np.nan,
    )


def _deciding(goals: Sequence[Goal], values: Mapping[str, np.ndarray]) -> Goal:
    for goal in goals:
        worth = goal.worth(values[goal.figure.name])
        if np.isfinite(worth).any() and np.ptp(worth[np.isfinite(worth)]) > goal.tolerance:
            return goal
    return goals[0]
