"""The limits of a study and of its roof: what elements and loudspeakers take of each, and which are exceeded."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from ..elements.roof import Load
from ..venue.document import Scenario, Study
from ..venue.switching import playing
from .rigging import Rig


@dataclass(frozen=True)
class Limit:
    """One limit, and what each element and each hung loudspeaker takes of it."""

    key: str
    """"budget", "hours", "roof_points", "point_load", "roof_point: <name>", "truss: <name>", "power" or
    "stock: <item>"."""
    label: str
    """As messages call it: "rigging hours"."""
    unit: str
    most: float
    elements: Mapping[str, float]
    """Element -> what it takes."""
    sources: Mapping[str, float] = field(default_factory=dict)
    """Hung loudspeaker -> what it takes while it plays."""
    existing: float = 0.0
    """Load that hung there before; it counts as soon as anything is added."""
    fixed: float = 0.0
    """Taken once if any element hangs."""
    is_each: bool = False
    """The limit holds for each load by itself and not for their sum."""

    @property
    def slack(self) -> float:
        """By how much the limit may be passed: sums of decimal fractions are rounded, and loads count to the gram."""
        return 1e-9 * abs(self.most) + (0.0005 if self.unit == "kg" else 0.0)

    def exceeded_by(self, elements: Collection[str], sources: Collection[str], is_hung: bool) -> str | None:
        """A phrase such as "roof points 48 of 34" if these elements and loudspeakers exceed it together."""
        parts = {name: amount for name, amount in self.sources.items() if name in sources}
        parts |= {name: amount for name, amount in self.elements.items() if name in elements}
        amounts = parts.values()
        taken = max(amounts, default=0.0) if self.is_each else sum(amounts) + self.existing * bool(parts)
        taken += self.fixed * is_hung
        if taken <= self.most + self.slack:
            return None
        by = ""
        if self.unit == "kg":
            taken = round(taken, 3)
            by = f", of {max(parts, key=lambda name: parts[name])}," if self.is_each else f", with {', '.join(parts)},"
        return f"{self.label}{by} {taken:,.10g} of {self.most:,.10g} {self.unit}".rstrip()


class Limits:
    """All limits of a study.

    Parameters
    ----------
    rig : loads of the study, if they are known already
    """

    def __init__(self, study: Study, rig: Rig | None = None):
        self.rig = rig or Rig(study)
        self.all = tuple(_limits(study, self.rig))
        self._study = study
        self._overhead = {element.name for element in study.elements.all() if element.is_overhead}

    def is_hung(self, elements: Iterable[str]) -> bool:
        """Whether any of the elements hangs overhead."""
        return not self._overhead.isdisjoint(elements)

    def broken(self, elements: Collection[str]) -> dict[str, str]:
        """Limits that a scenario with these elements exceeds: key of the limit -> a phrase with both figures."""
        there = playing(self._study.sources, self._study.elements, elements)
        is_hung = self.is_hung(elements)
        phrases = {limit.key: limit.exceeded_by(elements, there, is_hung) for limit in self.all}
        return {key: phrase for key, phrase in phrases.items() if phrase is not None}


def limits_broken(study: Study, scenario: Scenario, rig: Rig | None = None) -> dict[str, str]:
    """The limits that a scenario exceeds, as `Limits.broken` gives them."""
    return Limits(study, rig).broken(scenario.elements)


def _limits(study: Study, rig: Rig) -> Iterator[Limit]:
    costs, elements = study.document.costs, study.elements.all()
    if costs.budget is not None:
        prices = {element.name: element.hire + costs.labour_rate * element.rigging_hours for element in elements}
        yield Limit("budget", "budget", costs.currency, costs.budget, prices, fixed=costs.fixed)
    if costs.hours_available is not None:
        hours = {element.name: element.rigging_hours for element in elements}
        yield Limit("hours", "rigging hours", "h", costs.hours_available, hours)
    yield from _roof_limits(costs.roof_points_available, rig)
    if costs.power_available is not None:
        power = {element.name: element.switching.power for element in elements}
        yield Limit("power", "electric power", "kW", costs.power_available, power)
    for item in dict.fromkeys(item for element in elements for item in element.stock) if costs.stock else ():
        quantities = {element.name: element.stock.get(item, 0.0) for element in elements}
        yield Limit(f"stock: {item}", f"stock of {item}", "m2", costs.stock.get(item, 0.0), quantities)


def _roof_limits(points_available: int | None, rig: Rig) -> Iterator[Limit]:
    """Number of points, and what points and trusses carry: cloth and loudspeakers together."""

    def limit(
        key: str, label: str, most: float | None, of: Callable[[Load], float | None], unit: str = "kg",
        existing: float = 0.0, is_each: bool = False,
    ) -> Iterator[Limit]:  # fmt: skip
        if most is not None:
            elements, sources = (
                {name: amount for name, load in loads.items() if (amount := of(load)) is not None}
                for loads in (rig.elements, rig.sources)
            )
            yield Limit(key, label, unit, most, elements, sources, existing, is_each=is_each)

    yield from limit("roof_points", "roof points", points_available, lambda load: load.unnamed, unit="")
    yield from limit("point_load", "load on one roof point", rig.limit, lambda load: load.on_unnamed, is_each=True)
    for name, point in rig.points.items():
        most = rig.limit if point.limit is None else point.limit
        existing = point.existing_load
        yield from limit(f"roof_point: {name}", f"roof point {name}", most, _on_point(name), existing=existing)
    for name, truss in rig.trusses.items():
        existing = truss.existing_load
        yield from limit(f"truss: {name}", f"truss {name}", truss.limit, _on_truss(name), existing=existing)


def _on_point(name: str) -> Callable[[Load], float | None]:
    """kg of a load on a point, 0 where its weight is not known; None if it does not hang there."""
    return lambda load: (load.named[name] or 0.0) if name in load.named else None


def _on_truss(name: str) -> Callable[[Load], float | None]:
    """The same of a truss."""
    return lambda load: (load.trusses[name] or 0.0) if name in load.trusses else None
