"""What may be chosen: candidates, what they take, and the limits and relations that no plan may break."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations

import numpy as np

from ..errors import SceneError
from ..scene.rigging import Load, Rig
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
class Switched:
    """A load that is there as long as its loudspeaker plays."""

    load: float
    plays_at_start: bool
    on: np.ndarray
    """(n,) bool, candidates that switch it on."""
    off: np.ndarray
    """(n,) bool, candidates that switch it off."""

    def taken(self, bits: np.ndarray) -> np.ndarray:
        """(n_sets,) what it takes in sets (n_sets, n)."""
        plays = (bits & self.on).any(axis=1) | self.plays_at_start
        return self.load * (plays & ~(bits & self.off).any(axis=1))

    @property
    def weights(self) -> np.ndarray:
        """(n,) by which one candidate alone changes what it takes at the start."""
        return self.load * (float(not self.plays_at_start) * self.on - float(self.plays_at_start) * self.off)


@dataclass(frozen=True)
class Row:
    """A limit or a relation: weights . x + if_hung * (1 if anything hangs) + what is switched <= bound."""

    words: str
    kind: str
    """"budget", "hours", "roof_points", "roof_point", "truss", "power", "stock" or "relation"."""
    weights: np.ndarray
    """(n,), for x = 1 if a candidate is chosen."""
    if_hung: float
    bound: float
    switched: tuple[Switched, ...] = ()

    def is_kept(self, bits: np.ndarray, hung: np.ndarray) -> np.ndarray:
        """(n_sets,) bool; `hung` (n_sets,) says in which sets a candidate hangs."""
        taken = bits @ self.weights + self.if_hung * hung
        for load in self.switched:
            taken = taken + load.taken(bits)
        return taken <= self.bound + _SLACK * abs(self.bound)

    @property
    def linear(self) -> tuple[np.ndarray, float]:
        """Weights (n,) and bound as if no two candidates switched the same loudspeaker."""
        weights, bound = self.weights, self.bound
        for load in self.switched:
            weights = weights + load.weights
            bound -= load.load * load.plays_at_start
        return weights, bound


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
                fine &= row.is_kept(bits, hung)
        return fine

    def broken(self, mask: int) -> tuple[str, ...]:
        """Limits and relations that a set breaks, in words."""
        bits = self.bits([mask])
        hung = (bits & self.hangs).any(axis=1)
        return tuple(row.words for row in self.rows if not row.is_kept(bits, hung)[0])

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
    rig = Rig(study)
    for element in wanted:
        heavy = _too_heavy(element, rig)
        if heavy is not None:
            load = f"{heavy:.4g} kg on one roof point, where {rig.limit:g} kg are allowed"
            why.setdefault(element.name, load)
        if isinstance(element, SystemChange) and not playing(
            study.sources, study.elements, (*start.elements, element.name)
        ):
            why.setdefault(element.name, "with it nothing would play")
    chosen = tuple(element for element in wanted if element.name not in why)
    rows = [*_limit_rows(study, start, chosen), *_roof_rows(rig, start, chosen), *_relation_rows(study, start, chosen)]
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
    power = (element.power if isinstance(element, SystemChange) else 0.0 for element in chosen)
    yield from row("power", "electric power", power, taken.power, costs.power_available)
    if costs.stock:
        for item in sorted({item for element in chosen for item in element.stock}):
            quantities = (element.stock.get(item, 0.0) for element in chosen)
            left = costs.stock.get(item, 0.0)
            yield from row("stock", f"stock of {item}", quantities, taken.stock.get(item, 0.0), left)


def _too_heavy(element: Element, rig: Rig) -> float | None:
    """kg that an element brings on a point of which only the study's limit is known, if that is too much."""
    loads = [rig.elements.get(element.name)]
    if isinstance(element, SystemChange):
        loads += [rig.sources.get(name) for name in element.switch_on]
    heaviest = max((load.on_unnamed or 0.0 for load in loads if load is not None), default=0.0)
    return heaviest if rig.limit is not None and heaviest > rig.limit * (1.0 + _SLACK) else None


def _roof_rows(rig: Rig, start: Scenario, chosen: Sequence[Element]) -> Iterator[Row]:
    """Number of points, and what each point and truss carries: cloth and loudspeakers together."""
    sources, elements = rig.study.sources, rig.study.elements
    at_start = set(playing(sources, elements, start.elements))
    changes = [element if isinstance(element, SystemChange) else None for element in chosen]

    def row(
        kind: str, words: str, amount: Callable[[Load], float], existing: float, limit: float | None
    ) -> Iterator[Row]:
        if limit is None:
            return
        taken = {name: amount(load) for name, load in rig.elements.items()}
        switched = tuple(
            Switched(
                load=amount(load),
                plays_at_start=name in at_start,
                on=np.array([change is not None and name in change.switch_on for change in changes], bool),
                off=np.array([change is not None and name in change.switch_off for change in changes], bool),
            )
            for name, load in rig.sources.items()
            if amount(load)
        )
        weights = np.array([taken.get(element.name, 0.0) for element in chosen])
        used = existing + sum(taken.get(name, 0.0) for name in start.elements)
        # What is overloaded by what hung there before takes nothing more, and leaves all else free.
        yield Row(words, kind, weights, 0.0, max(limit - used, 0.0), switched)

    costs = rig.study.document.costs
    yield from row("roof_points", "roof points", lambda l: l.unnamed, 0.0, costs.roof_points_available)
    for name, point in rig.points.items():
        limit = rig.limit if point.limit is None else point.limit
        words = f"load on roof point {name}"
        yield from row("roof_point", words, partial(_on_point, name), point.existing_load, limit)
    for name, truss in rig.trusses.items():
        words = f"load on truss {name}"
        yield from row("truss", words, partial(_on_truss, name), truss.existing_load, truss.limit)


def _on_point(name: str, load: Load) -> float:
    return load.named.get(name) or 0.0


def _on_truss(name: str, load: Load) -> float:
    return load.trusses.get(name) or 0.0


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
        weights, bound = row.linear
        least = weights[candidate] + np.minimum(np.delete(weights, candidate), 0.0).sum()
        if weights[candidate] > 0.0 and least > bound + _SLACK * abs(bound):
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
