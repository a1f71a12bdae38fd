"""The limits of a study and of its roof: how much elements and loudspeakers use, and which limits are exceeded."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from ..elements.roof import Load
from ..venue.document import Study
from ..venue.switching import playing
from .rigging import Rig

_Amounts = tuple[dict[str, float], dict[str, float]]


@dataclass(frozen=True)
class Limit:
    """One limit, and the amounts that elements and hung loudspeakers use of it."""

    key: str
    """"budget", "hours", "roof_points", "point_load", "roof_point: <name>", "truss: <name>", "power" or
    "stock: <item>"."""
    label: str
    """Its name in messages: "rigging hours"."""
    unit: str
    most: float
    elements: Mapping[str, float]
    """Element -> amount."""
    sources: Mapping[str, float] = field(default_factory=dict)
    """Hung loudspeaker -> amount while it plays."""
    existing: float = 0.0
    """Existing load; it counts as soon as anything is added."""
    fixed: float = 0.0
    """Amount used once if any element hangs."""
    is_each: bool = False
    """The limit applies to each load and not to their sum."""

    @property
    def slack(self) -> float:
        """Tolerance: sums of decimal fractions are rounded, and loads count to the gram."""
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
    rig : loads of the study, if they have been computed already
    """

    def __init__(self, study: Study, rig: Rig | None = None):
        self.rig = rig or Rig(study)
        self.all = tuple(limit for limit in _limits(study, self.rig) if np.isfinite(limit.most))
        self._study = study
        self._overhead = {element.name for element in study.elements.all() if element.is_overhead}

    def is_hung(self, elements: Iterable[str]) -> bool:
        """Whether any of the elements hangs overhead."""
        return not self._overhead.isdisjoint(elements)

    def broken(self, elements: Collection[str]) -> dict[str, str]:
        """Limits that a scenario with these elements exceeds: key of the limit -> a phrase with both figures."""
        active = playing(self._study.sources, self._study.elements, elements)
        is_hung = self.is_hung(elements)
        phrases = {limit.key: limit.exceeded_by(elements, active, is_hung) for limit in self.all}
        return {key: phrase for key, phrase in phrases.items() if phrase is not None}


def _limits(study: Study, rig: Rig) -> Iterator[Limit]:
    """Every possible limit; the largest amount of those that are not given is infinite."""
    costs, elements = study.document.costs, study.elements.all()

    def of_loads(amount: Callable[[Load], float | None]) -> _Amounts:
        """Amounts of the elements and of the sources, without those that are None."""
        on_elements, on_sources = (
            {name: taken for name, load in loads.items() if (taken := amount(load)) is not None}
            for loads in (rig.elements, rig.sources)
        )
        return on_elements, on_sources

    def on(name: str, loads_of: Callable[[Load], Mapping[str, float | None]]) -> _Amounts:
        """kg of each load on a point or truss, 0 for an unknown weight, without those that hang elsewhere."""
        return of_loads(lambda load: (loads_of(load)[name] or 0.0) if name in loads_of(load) else None)

    prices = {element.name: element.hire + costs.labour_rate * element.rigging_hours for element in elements}
    yield Limit("budget", "budget", costs.currency, _most(costs.budget), prices, fixed=costs.fixed)
    hours = {element.name: element.rigging_hours for element in elements}
    yield Limit("hours", "rigging hours", "h", _most(costs.hours_available), hours)
    unnamed = of_loads(lambda load: load.unnamed)
    yield Limit("roof_points", "roof points", "", _most(costs.roof_points_available), *unnamed)
    heaviest = of_loads(lambda load: load.on_unnamed)
    yield Limit("point_load", "load on one roof point", "kg", _most(rig.limit), *heaviest, is_each=True)
    for name, point in rig.points.items():
        most = _most(rig.limit if point.limit is None else point.limit)
        loads = on(name, lambda load: load.named)
        yield Limit(f"roof_point: {name}", f"roof point {name}", "kg", most, *loads, existing=point.existing_load)
    for name, truss in rig.trusses.items():
        most = _most(truss.limit)
        loads = on(name, lambda load: load.trusses)
        yield Limit(f"truss: {name}", f"truss {name}", "kg", most, *loads, existing=truss.existing_load)
    power = {element.name: element.switching.power for element in elements}
    yield Limit("power", "electric power", "kW", _most(costs.power_available), power)
    for item in dict.fromkeys(item for element in elements for item in element.stock) if costs.stock else ():
        quantities = {element.name: element.stock.get(item, 0.0) for element in elements}
        yield Limit(f"stock: {item}", f"stock of {item}", "m2", costs.stock.get(item, 0.0), quantities)


def _most(limit: float | None) -> float:
    return np.inf if limit is None else limit
