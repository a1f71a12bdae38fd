"""Cost, rigging hours, roof points and exceeded limits of every scenario, as results hold them."""

from __future__ import annotations

from ..results.records import ScenarioRecord
from ..scene.limits import Limits
from ..scene.scenarios import demand_of
from ..venue.document import Study
from ..venue.switching import playing


def scenario_records(study: Study) -> tuple[ScenarioRecord, ...]:
    """The elements, cost and exceeded limits of each scenario; the bare venue first.

    The cost consists of hire, rigging hours at the labour rate, and the fixed sum if anything hangs; in the study's
    currency.
    """
    document, limits, records = study.document, Limits(study), []
    for scenario, reference in zip(document.scenarios_in_order(), document.compared_with(), strict=True):
        demand = demand_of(study, scenario)
        sources = playing(study.sources, study.elements, scenario.elements)
        overhead = (element.name for element in study.elements.named(scenario.elements) if element.is_overhead)
        records.append(
            ScenarioRecord(
                name=scenario.name,
                description=scenario.description,
                elements=scenario.elements,
                compare_with=reference,
                hire=demand.hire,
                rigging_hours=demand.rigging_hours,
                cost=demand.cost,
                weight=demand.weight,
                roof_points=demand.roof_points,
                limits_broken=tuple(limits.broken(scenario.elements).values()),
                sources=sources,
                hung=(*overhead, *(name for name in sources if name in limits.rig.sources)),
            )
        )
    return tuple(records)
