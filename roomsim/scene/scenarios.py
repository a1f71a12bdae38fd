"""What a scenario demands of money, crew, roof and stock, and which limits that breaks."""

from __future__ import annotations

from dataclasses import dataclass

from ..venue.document import Banner, CeilingDrape, Drape, Element, Scenario, Study, SystemChange
from .rigging import Rig


def elements_of(study: Study, scenario: Scenario) -> tuple[Element, ...]:
    """The elements that a scenario switches in, lowest first where they cover each other."""
    return tuple(element for element in study.elements.all() if element.name in scenario.elements)


def hangs(element: Element) -> bool:
    """Whether an element hangs overhead."""
    if isinstance(element, SystemChange):
        return element.roof_points > 0
    return isinstance(element, Drape | Banner | CeilingDrape)


@dataclass(frozen=True)
class Demand:
    """What a scenario takes."""

    hire: float
    rigging_hours: float
    cost: float
    """Hire, labour and, if anything is hung, the fixed sum."""
    weight: float
    """kg."""
    roof_points: int
    """Of the elements, beside those of loudspeakers that hang anyway."""
    power: float
    """Electric power of system changes, kW."""
    stock: dict[str, float]
    """Item -> quantity."""


def demand_of(study: Study, scenario: Scenario) -> Demand:
    """Sums over the elements of a scenario."""
    elements = elements_of(study, scenario)
    costs = study.document.costs
    hire = sum(element.hire for element in elements)
    hours = sum(element.rigging_hours for element in elements)
    fixed = costs.fixed if any(hangs(element) for element in elements) else 0.0
    stock: dict[str, float] = {}
    for element in elements:
        for item, quantity in element.stock.items():
            stock[item] = stock.get(item, 0.0) + quantity
    return Demand(
        hire=hire,
        rigging_hours=hours,
        cost=hire + hours * costs.labour_rate + fixed,
        weight=sum(element.weight for element in elements),
        roof_points=sum(element.roof_points for element in elements),
        power=sum(element.power for element in elements if isinstance(element, SystemChange)),
        stock=stock,
    )


def limits_broken(study: Study, scenario: Scenario, rig: Rig | None = None) -> dict[str, str]:
    """The limits of study and roof that a scenario exceeds; loads are those of cloth and loudspeakers together.

    Parameters
    ----------
    rig : loads of the study, if they are known already

    Returns
    -------
    dict
        "budget", "hours", "roof_points", "point_load", "roof_point: <name>", "truss: <name>", "power" or
        "stock: <item>" -> a phrase such as "roof points 48 of 34".
    """
    rig = rig or Rig(study)
    costs, demand = study.document.costs, demand_of(study, scenario)
    broken: dict[str, str] = {}

    def compare(key: str, what: str, wanted: float, limit: float | None, unit: str) -> None:
        # A sum of decimal fractions may pass the limit that it meets exactly.
        if limit is not None and wanted > limit * (1.0 + 1e-9):
            broken[key] = f"{what} {wanted:,.10g} of {limit:,.10g} {unit}".rstrip()

    compare("budget", "budget", demand.cost, costs.budget, costs.currency)
    compare("hours", "rigging hours", demand.rigging_hours, costs.hours_available, "h")
    loads = rig.loads(scenario)
    points = sum(load.unnamed for load in loads)
    compare("roof_points", "roof points", points, costs.roof_points_available, "")
    heaviest = max(loads, key=lambda load: load.on_unnamed or 0.0, default=None)
    if heaviest is not None and heaviest.on_unnamed is not None:
        what = f"load on one roof point, of {heaviest.name},"
        compare("point_load", what, round(heaviest.on_unnamed, 3), costs.point_load_limit, "kg")
    for held in rig.held(loads):
        kind = "truss" if held.is_truss else "roof_point"
        what = f"{kind.replace('_', ' ')} {held.name}, with {', '.join(held.by)},"
        compare(f"{kind}: {held.name}", what, round(held.load, 3), held.limit, "kg")
    compare("power", "electric power", demand.power, costs.power_available, "kW")
    for item, quantity in demand.stock.items():
        if costs.stock:
            compare(f"stock: {item}", f"stock of {item}", quantity, costs.stock.get(item, 0.0), "m2")
    return broken
