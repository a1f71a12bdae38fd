"""The candidates of a plan, and the limits and relations that every plan must keep."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np

from ..elements.element import Element
from ..errors import SceneError
from ..scene.limits import Limits
from ..scene.scenarios import demand_of
from ..venue.document import Scenario, Study
from ..venue.switching import playing
from .results import Candidate

BUDGET, RELATION = "budget", "relation"
MOST_LISTED = 20
"""The largest number of candidates of which all sets are listed: a million sets."""


@dataclass(frozen=True)
class Switched:
    """A load that counts only while its loudspeaker plays."""

    load: float
    plays_at_start: bool
    on: np.ndarray
    """(n,) bool, candidates that switch it on."""
    off: np.ndarray
    """(n,) bool, candidates that switch it off."""

    def taken(self, bits: np.ndarray) -> np.ndarray:
        """(n_sets,) its share of the limit in sets (n_sets, n)."""
        plays = (bits & self.on).any(axis=1) | self.plays_at_start
        return self.load * (plays & ~(bits & self.off).any(axis=1))

    @property
    def weights(self) -> np.ndarray:
        """(n,) by how much each candidate by itself changes its share of the limit at the start."""
        return self.load * (float(not self.plays_at_start) * self.on - float(self.plays_at_start) * self.off)


@dataclass(frozen=True)
class Row:
    """A limit or a relation: weights . x + if_hung * (1 if anything hangs) + switched loads <= bound."""

    key: str
    """Of the limit, as in `Limits.broken`, or "relation"."""
    label: str
    weights: np.ndarray
    """(n,), for x = 1 if a candidate is chosen."""
    bound: float
    slack: float = 1e-9
    if_hung: float = 0.0
    switched: tuple[Switched, ...] = ()

    def is_kept(self, bits: np.ndarray, hung: np.ndarray) -> np.ndarray:
        """(n_sets,) bool; `hung` (n_sets,) bool, sets in which a candidate hangs."""
        taken = sum((load.taken(bits) for load in self.switched), bits @ self.weights + self.if_hung * hung)
        return taken <= self.bound + self.slack

    def never_with(self, candidate: int) -> bool:
        """Whether no set with a candidate keeps it, whatever else is chosen; each loudspeaker is treated separately."""
        weights, bound = self.weights, self.bound
        for load in self.switched:
            weights = weights + load.weights
            bound -= load.load * load.plays_at_start
        least = weights[candidate] + np.minimum(np.delete(weights, candidate), 0.0).sum()
        return bool(weights[candidate] > 0.0 and least > bound + self.slack)


@dataclass(frozen=True)
class Candidates:
    """The elements to choose from. A set of them is an int, bit i for candidate i, or a row of booleans."""

    elements: tuple[Candidate, ...]
    start: Scenario
    """The scenario to which they are added."""
    refused: dict[str, str]
    """Elements that were requested and cannot be chosen -> reason."""
    limits: Limits
    rows: tuple[Row, ...]
    fixed: float
    """Paid once if a candidate hangs; 0 if something hangs at the start already."""
    start_cost: float

    @cached_property
    def names(self) -> tuple[str, ...]:
        return tuple(element.name for element in self.elements)

    @cached_property
    def cost_each(self) -> np.ndarray:
        """(n,) hire and labour."""
        return np.array([element.cost for element in self.elements])

    @cached_property
    def hangs(self) -> np.ndarray:
        """(n,) bool."""
        return np.array([element.hangs for element in self.elements], dtype=bool)

    @property
    def n(self) -> int:
        return len(self.elements)

    @property
    def everything(self) -> int:
        return (1 << self.n) - 1

    def bits(self, sets: Sequence[int] | np.ndarray) -> np.ndarray:
        """(n_sets, n) bool."""
        whole = [[(int(mask) >> i) & 1 for i in range(self.n)] for mask in sets]
        return np.array(whole, dtype=bool).reshape(len(whole), self.n)

    def members(self, mask: int) -> tuple[str, ...]:
        """Names of the candidates in a set."""
        return tuple(name for i, name in enumerate(self.names) if (mask >> i) & 1)

    def present(self, mask: int) -> tuple[str, ...]:
        """Names of all elements that are present if a set is chosen: those of the start and of the set."""
        return (*self.start.elements, *self.members(mask))

    def cost(self, bits: np.ndarray) -> np.ndarray:
        """(n_sets,) hire, labour and fixed sum of the start and the set; bits (n_sets, n) bool."""
        return self.start_cost + bits @ self.cost_each + self.fixed * (bits & self.hangs).any(axis=1)

    def burden(self, sets: Sequence[int]) -> list[tuple[float, ...]]:
        """(n_sets,) cost, rigging hours and number of elements, by which equivalent sets are compared."""
        bits = self.bits(sets)
        hours = bits @ np.array([element.rigging_hours for element in self.elements])
        return [(float(c), float(h), float(n)) for c, h, n in zip(self.cost(bits), hours, bits.sum(axis=1))]

    def allowed(self, bits: np.ndarray, but: Sequence[str] = ()) -> np.ndarray:
        """(n_sets,) bool: sets that keep all limits and relations, those with a key in `but` ignored."""
        hung = (bits & self.hangs).any(axis=1)
        kept = [row.is_kept(bits, hung) for row in self.rows if row.key not in but]
        return np.all([np.ones(len(bits), bool), *kept], axis=0)

    def broken(self, mask: int) -> tuple[str, ...]:
        """Phrases for the limits and relations that a set does not keep."""
        bits = self.bits([mask])
        relations = [row.label for row in self.rows if row.key == RELATION and not row.is_kept(bits, bits[:, 0])[0]]
        return (*self.limits.broken(self.present(mask)).values(), *relations)

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
    refused : elements that must not be hung -> reason (a conflict found by the check)

    Raises
    ------
    SceneError : there is no candidate, or the start exceeds a limit by itself
    """
    costs, start, limits = study.document.costs, start_of(study), Limits(study)
    broken = limits.broken(start.elements)
    if broken:
        raise SceneError(
            f"The scenario to start from exceeds a limit by itself: {'; '.join(broken.values())}.",
            place=f"scenario {start.name!r}",
            cure="Remove elements from it, or raise the limit under [costs].",
        )
    requested = requested_elements(study)
    reasons = {element.name: refused[element.name] for element in requested if element.name in refused}
    for element in requested:
        if not playing(study.sources, study.elements, (*start.elements, element.name)):
            reasons.setdefault(element.name, "with it no source would play")
    while True:
        chosen = [element for element in requested if element.name not in reasons]
        rows = (*_limit_rows(study, limits, start, chosen), *_relation_rows(study, start, chosen))
        # An element that no set may contain cannot be chosen, nor can the elements that depend on it.
        never = {element.name: _why_never(i, element.name, start, limits, rows) for i, element in enumerate(chosen)}
        if not any(never.values()):
            break
        reasons |= {name: why for name, why in never.items() if why}
    if not chosen:
        why = "; ".join(f"{element.name}: {reasons[element.name]}" for element in requested)
        raise SceneError(
            f"There are no candidates to choose from. {why}".strip(),
            place="plan, candidates",
            cure="Name elements that may be hung under candidates in [plan].",
        )
    return Candidates(
        elements=tuple(_candidate(element, costs.labour_rate) for element in chosen),
        start=start,
        refused={element.name: reasons[element.name] for element in requested if element.name in reasons},
        limits=limits,
        rows=rows,
        fixed=0.0 if limits.is_hung(start.elements) else costs.fixed,
        start_cost=demand_of(study, start).cost,
    )


def start_of(study: Study) -> Scenario:
    """The scenario that a plan starts from."""
    name = study.document.plan.start_from or study.document.bare
    return next(scenario for scenario in study.document.scenarios_in_order() if scenario.name == name)


def requested_elements(study: Study) -> tuple[Element, ...]:
    """The elements that the study requests as candidates, before any is refused."""
    present = set(start_of(study).elements)
    named = study.document.plan.candidates
    return tuple(
        element
        for element in study.elements.all()
        if element.name not in present and (element.name in named if named else element.is_searched)
    )


def _candidate(element: Element, labour_rate: float) -> Candidate:
    return Candidate(
        name=element.name,
        description=element.description,
        cost=float(element.hire + labour_rate * element.rigging_hours),
        hire=element.hire,
        rigging_hours=element.rigging_hours,
        roof_points=element.roof_points,
        weight=element.weight,
        hangs=element.is_overhead,
    )


def _limit_rows(study: Study, limits: Limits, start: Scenario, chosen: Sequence[Element]) -> Iterator[Row]:
    """The part of each limit that is left for the candidates."""
    at_start, is_hung = playing(study.sources, study.elements, start.elements), limits.is_hung(start.elements)

    def switched(name: str, load: float) -> Switched:
        on, off = (
            np.array([name in getattr(element.switching, way) for element in chosen], bool) for way in ("on", "off")
        )
        return Switched(load, name in at_start, on, off)

    for limit in limits.all:
        taken, sources, left = limit.elements, limit.sources, limit.most - limit.existing
        if limit.is_each or left < -limit.slack:
            # The number of single loads above the limit must be 0; of any loads where it is already exceeded.
            least = limit.most + limit.slack if limit.is_each else -np.inf
            taken, sources = ({name: float(kg > least) for name, kg in loads.items()} for loads in (taken, sources))
            left = 0.0
        yield Row(
            key=limit.key,
            label=limit.label,
            weights=np.array([taken.get(element.name, 0.0) for element in chosen], dtype=float),
            bound=left - sum(taken.get(name, 0.0) for name in start.elements) - limit.fixed * is_hung,
            slack=limit.slack,
            if_hung=limit.fixed * (not is_hung),
            switched=tuple(switched(name, load) for name, load in sources.items() if load),
        )


def _relation_rows(study: Study, start: Scenario, chosen: Sequence[Element]) -> Iterator[Row]:
    """Relations between elements; those of the start count as chosen, others that are not candidates as not chosen."""
    plan, names = study.document.plan, [element.name for element in chosen]

    def at_most(label: str, terms: Iterable[tuple[str, float]], bound: float) -> Row:
        weights = np.zeros(len(names))
        for name, weight in terms:
            if name in names:
                weights[names.index(name)] += weight
            elif name in start.elements:
                bound -= weight
        return Row(RELATION, label, weights, bound)

    for group in plan.together:
        for one, other in zip(group, (*group[1:], group[0])):
            yield at_most(f"{one} only with {other}", [(one, 1.0), (other, -1.0)], 0.0)
    for group in plan.only_one_of:
        yield at_most(f"only one of {', '.join(group)}", [(name, 1.0) for name in group], 1.0)
    for name, needed in plan.requires.items():
        for other in needed:
            yield at_most(f"{name} only with {other}", [(name, 1.0), (other, -1.0)], 0.0)
    for change, against in combinations(chosen, 2):
        first, second = change.switching, against.switching
        if {*first.on} & {*second.off} or {*first.off} & {*second.on}:
            label = f"{change.name} and {against.name} switch one source on and off"
            yield at_most(label, [(change.name, 1.0), (against.name, 1.0)], 1.0)


def _why_never(candidate: int, name: str, start: Scenario, limits: Limits, rows: Iterable[Row]) -> str:
    """Why no set can contain a candidate, whatever else is chosen and whatever it costs; empty if some set can."""
    row = next((row for row in rows if row.key != BUDGET and row.never_with(candidate)), None)
    if row is None:
        return ""
    broken = limits.broken((*start.elements, name))
    if row.key in broken:
        return f"by itself it exceeds a limit: {broken[row.key]}"
    return f"no set can contain it: {row.label}"


def study_of_sets(study: Study, start: Scenario, sets: Sequence[Iterable[str]]) -> Study:
    """The study with one scenario for each set of elements added to the start, each compared with the first; an empty
    set is the start itself."""
    added = tuple(
        start.model_copy(
            update={"name": f"set {i}", "elements": (*start.elements, *names), "compare_with": None}
        )
        for i, names in enumerate(sets)
    )
    update = {"bare": added[0].name, "scenario": added}
    return study.model_copy(update={"document": study.document.model_copy(update=update)})
