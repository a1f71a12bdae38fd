"""What may be chosen: candidates, what they take, and the limits and relations that no plan may break."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ..errors import SceneError
from ..scene.scenarios import demand_of, elements_of, hangs, limits_broken
from ..venue.document import (
    Banner,
    CeilingDrape,
    Drape,
    Element,
    FloorCovering,
    Scenario,
    Study,
    SystemChange,
)
from ..venue.switching import playing

BUDGET = "budget"
_SLACK = 1e-9
"""Of a limit: a sum of decimal fractions may pass the limit that it meets exactly."""
MOST_LISTED = 20
"""Candidates of which all sets are listed: a million."""


@dataclass(frozen=True)
class Row:
    """A limit or a relation: weights . x + if_hung * (1 if anything hangs) <= bound."""

    words: str
    kind: str
    """"budget", "hours", "roof_points", "point_load", "power", "stock" or "relation"."""
    weights: np.ndarray
    """(n,), for x = 1 if a candidate is chosen."""
    if_hung: float
    bound: float


@dataclass(frozen=True)
class Candidates:
    """The elements to choose from. A set of them is an int, bit i for candidate i, or a row of booleans."""

    elements: tuple[Element, ...]
    start: Scenario
    """What everything is added to."""
    refused: dict[str, str]
    """Elements that were asked for and may not be chosen -> why."""
    rows: tuple[Row, ...]
    cost_each: np.ndarray
    """(n,) hire and labour."""
    fixed: float
    """Paid once if a candidate hangs; nothing if something hangs at the start already."""
    start_cost: float
    hangs: np.ndarray
    """(n,) bool."""
    hours: np.ndarray
    """(n,) rigging hours."""

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(element.name for element in self.elements)

    @property
    def n(self) -> int:
        return len(self.elements)

    def bits(self, sets: Sequence[int] | np.ndarray) -> np.ndarray:
        """(n_sets, n) bool."""
        whole = [[(int(mask) >> i) & 1 for i in range(self.n)] for mask in sets]
        return np.array(whole, dtype=bool).reshape(len(whole), self.n)

    def members(self, mask: int) -> tuple[str, ...]:
        """Names of the candidates in a set."""
        return tuple(name for i, name in enumerate(self.names) if (mask >> i) & 1)

    def mask(self, names: Iterable[str]) -> int:
        """The set of these candidates."""
        return sum(1 << self.names.index(name) for name in set(names))

    @property
    def everything(self) -> int:
        return (1 << self.n) - 1

    def cost(self, bits: np.ndarray) -> np.ndarray:
        """(n_sets,) hire, labour and fixed sum of the start and what is added; bits (n_sets, n) bool."""
        return self.start_cost + bits @ self.cost_each + self.fixed * (bits & self.hangs).any(axis=1)

    def allowed(self, bits: np.ndarray, but: Sequence[str] = ()) -> np.ndarray:
        """(n_sets,) bool: sets that break no limit and no relation, those of the kinds `but` left aside."""
        hung = (bits & self.hangs).any(axis=1)
        fine = np.ones(len(bits), dtype=bool)
        for row in self.rows:
            if row.kind not in but:
                taken = bits @ row.weights + row.if_hung * hung
                fine &= taken <= row.bound + _SLACK * np.abs(row.bound)
        return fine

    def broken(self, mask: int) -> tuple[str, ...]:
        """Limits and relations that a set breaks, in words."""
        bits = self.bits([mask])
        hung = float((bits & self.hangs).any())
        taken = [float((bits @ row.weights)[0]) + row.if_hung * hung for row in self.rows]
        return tuple(
            row.words for row, amount in zip(self.rows, taken) if amount > row.bound + _SLACK * abs(row.bound)
        )

    def all_sets(self) -> np.ndarray:
        """(2^n,) int, every set; only for `MOST_LISTED` candidates and fewer."""
        return np.arange(1 << self.n)

    def all_bits(self) -> np.ndarray:
        """(2^n, n) bool, in the order of `all_sets`."""
        return (self.all_sets()[:, None] >> np.arange(self.n)) & 1 > 0


def candidates_of(study: Study, refused: Mapping[str, str]) -> Candidates:
    """The candidates of a study.

    Parameters
    ----------
    refused : elements that must not be hung, and why (`check` found a conflict); they are no candidates

    Raises
    ------
    SceneError : nothing is left to choose from, or the start breaks a limit by itself
    """
    document = study.document
    start = start_of(study)
    broken = limits_broken(study, start)
    if broken:
        raise SceneError(
            f"The scenario to start from breaks a limit by itself: {'; '.join(broken.values())}.",
            place=f"scenario {start.name!r}",
            cure="Take something out of it, or raise the limit under [costs].",
        )
    wanted = asked_for(study)
    why = {element.name: refused[element.name] for element in wanted if element.name in refused}
    limit = document.costs.point_load_limit
    for element in wanted:
        if limit is not None and element.point_load > limit * (1.0 + _SLACK):
            load = f"{element.point_load:g} kg on one roof point, where {limit:g} kg are allowed"
            why.setdefault(element.name, load)
        if isinstance(element, SystemChange) and not playing(
            study.sources, study.elements, (*start.elements, element.name)
        ):
            why.setdefault(element.name, "with it nothing would play")
    chosen = tuple(element for element in wanted if element.name not in why)
    rows = [*_limit_rows(study, start, chosen), *_relation_rows(study, start, chosen)]
    # An element that no set may have is none to choose.
    alone = {element.name: _why_never(i, rows) for i, element in enumerate(chosen)}
    if any(alone.values()):
        never = {name: text for name, text in alone.items() if text}
        return candidates_of(study, {**refused, **why, **never})
    if not chosen:
        reasons = "; ".join(f"{name}: {text}" for name, text in why.items())
        raise SceneError(
            f"There is nothing to choose from. {reasons}".strip(),
            place="plan, candidates",
            cure="Name elements that may be hung under candidates in [plan].",
        )
    demand = demand_of(study, start)
    is_hung = any(hangs(element) for element in elements_of(study, start))
    return Candidates(
        elements=chosen,
        start=start,
        refused=why,
        rows=tuple(rows),
        cost_each=_cost_each(study, chosen),
        fixed=0.0 if is_hung else document.costs.fixed,
        start_cost=demand.cost,
        hangs=np.array([hangs(element) for element in chosen], dtype=bool),
        hours=np.array([element.rigging_hours for element in chosen]),
    )


def start_of(study: Study) -> Scenario:
    """The scenario that a plan starts from."""
    name = study.document.plan.start_from or study.document.bare
    return next(scenario for scenario in study.document.scenarios_in_order() if scenario.name == name)


def asked_for(study: Study) -> tuple[Element, ...]:
    """The elements that the study wants to choose from, before any is refused."""
    present = set(start_of(study).elements)
    named = study.document.plan.candidates
    kinds = Drape | Banner | CeilingDrape | FloorCovering
    return tuple(
        element
        for element in study.elements.all()
        if element.name not in present and (element.name in named if named else isinstance(element, kinds))
    )


def _cost_each(study: Study, chosen: Sequence[Element]) -> np.ndarray:
    rate = study.document.costs.labour_rate
    return np.array([element.hire + rate * element.rigging_hours for element in chosen])


def _limit_rows(study: Study, start: Scenario, chosen: Sequence[Element]) -> Iterator[Row]:
    costs, taken = study.document.costs, demand_of(study, start)

    def row(
        kind: str, words: str, weights: Iterable[float], used: float, limit: float | None, fixed: float = 0.0
    ) -> Iterator[Row]:
        if limit is not None:
            yield Row(words, kind, np.array(list(weights), dtype=float), fixed, limit - used)

    is_hung = any(hangs(element) for element in elements_of(study, start))
    fixed = 0.0 if is_hung else costs.fixed
    yield from row(BUDGET, "budget", _cost_each(study, chosen), taken.cost, costs.budget, fixed)
    hours = (element.rigging_hours for element in chosen)
    yield from row("hours", "rigging hours", hours, taken.rigging_hours, costs.hours_available)
    points = (element.roof_points for element in chosen)
    yield from row("roof_points", "roof points", points, taken.roof_points, costs.roof_points_available)
    power = (element.power if isinstance(element, SystemChange) else 0.0 for element in chosen)
    yield from row("power", "electric power", power, taken.power, costs.power_available)
    if costs.stock:
        for item in sorted({item for element in chosen for item in element.stock}):
            quantities = (element.stock.get(item, 0.0) for element in chosen)
            left = costs.stock.get(item, 0.0)
            yield from row("stock", f"stock of {item}", quantities, taken.stock.get(item, 0.0), left)


def _relation_rows(study: Study, start: Scenario, chosen: Sequence[Element]) -> Iterator[Row]:
    """Relations between names; a name of the start counts as chosen, any other as never chosen."""
    plan, names = study.document.plan, [element.name for element in chosen]

    def at_most(words: str, terms: Iterable[tuple[str, float]], bound: float) -> Row:
        weights = np.zeros(len(names))
        for name, weight in terms:
            if name in names:
                weights[names.index(name)] += weight
            elif name in start.elements:
                bound -= weight
        return Row(words, "relation", weights, 0.0, bound)

    for group in plan.together:
        for one, other in zip(group, (*group[1:], group[0])):
            yield at_most(f"{one} only with {other}", [(one, 1.0), (other, -1.0)], 0.0)
    for group in plan.only_one_of:
        yield at_most(f"only one of {', '.join(group)}", [(name, 1.0) for name in group], 1.0)
    for name, needed in plan.requires.items():
        for other in needed:
            yield at_most(f"{name} only with {other}", [(name, 1.0), (other, -1.0)], 0.0)
    changes = [element for element in chosen if isinstance(element, SystemChange)]
    for change, against in combinations(changes, 2):
        if {*change.switch_on} & {*against.switch_off} or {*change.switch_off} & {*against.switch_on}:
            words = f"{change.name} and {against.name} switch one source on and off"
            yield at_most(words, [(change.name, 1.0), (against.name, 1.0)], 1.0)


def _why_never(candidate: int, rows: Iterable[Row]) -> str:
    """Why no set may have a candidate, whatever else is chosen and paid; empty if some set may."""
    for row in rows:
        if row.kind == BUDGET:
            continue
        least = row.weights[candidate] + np.minimum(np.delete(row.weights, candidate), 0.0).sum()
        if row.weights[candidate] > 0.0 and least > row.bound + _SLACK * abs(row.bound):
            return f"out of reach by itself: {row.words}"
    return ""


def study_of_sets(study: Study, start: Scenario, sets: Sequence[Iterable[str]]) -> Study:
    """The study with a scenario for each set of elements added to the start, the first one to be measured
    against; an empty set is the start itself."""
    added = tuple(
        start.model_copy(
            update={"name": f"set {i}", "elements": (*start.elements, *names), "compare_with": None}
        )
        for i, names in enumerate(sets)
    )
    update = {"bare": added[0].name, "scenario": added}
    return study.model_copy(update={"document": study.document.model_copy(update=update)})
