"""Cost, hours, weight and roof points of a scenario."""

from __future__ import annotations

from dataclasses import dataclass

from ..venue.document import Scenario, Study


@dataclass(frozen=True)
class Demand:
    """Sums over the elements of a scenario."""

    hire: float
    rigging_hours: float
    cost: float
    """Hire, labour and, if anything is hung, the fixed sum."""
    weight: float
    """kg."""
    roof_points: int
    """Of the elements, in addition to those of loudspeakers that hang in every scenario."""


def demand_of(study: Study, scenario: Scenario) -> Demand:
    """Sums over the elements of a scenario."""
    elements = study.elements.named(scenario.elements)
    costs = study.document.costs
    hire = sum(element.hire for element in elements)
    hours = sum(element.rigging_hours for element in elements)
    fixed = costs.fixed if any(element.is_overhead for element in elements) else 0.0
    return Demand(
        hire=hire,
        rigging_hours=hours,
        cost=hire + hours * costs.labour_rate + fixed,
        weight=sum(element.weight for element in elements),
        roof_points=sum(element.roof_points for element in elements),
    )
