"""What a scenario demands of money, crew, roof and stock, and which limits that breaks."""

from __future__ import annotations

from dataclasses import dataclass

from ..venue.document import Banner, CeilingDrape, Drape, Element, Scenario, Study, SystemChange


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
    point_load: float
    """Largest on one roof point, kg."""
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
        point_load=max((element.point_load for element in elements), default=0.0),
        power=sum(element.power for element in elements if isinstance(element, SystemChange)),
        stock=stock,
    )


def limits_broken(study: Study, scenario: Scenario) -> dict[str, str]:
    """The limits of the study that a scenario exceeds.

    Returns
    -------
    dict
        "budget", "hours", "roof_points", "point_load", "power" or "stock: <item>" -> a phrase such as
        "roof points 48 of 34".
    """
    costs, demand = study.document.costs, demand_of(study, scenario)
    broken: dict[str, str] = {}

    def compare(key: str, what: str, wanted: float, limit: float | None, unit: str) -> None:
        # A sum of decimal fractions may pass the limit that it meets exactly.
        if limit is not None and wanted > limit * (1.0 + 1e-9):
            broken[key] = f"{what} {wanted:,.10g} of {limit:,.10g} {unit}".rstrip()

    compare("budget", "budget", demand.cost, costs.budget, costs.currency)
    compare("hours", "rigging hours", demand.rigging_hours, costs.hours_available, "h")
    compare("roof_points", "roof points", demand.roof_points, costs.roof_points_available, "")
    compare("point_load", "load on one roof point", demand.point_load, costs.point_load_limit, "kg")
    compare("power", "electric power", demand.power, costs.power_available, "kW")
    for item, quantity in demand.stock.items():
        if costs.stock:
            compare(f"stock: {item}", f"stock of {item}", quantity, costs.stock.get(item, 0.0), "m2")
    return broken
