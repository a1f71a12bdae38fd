"""Cost, rigging hours, roof points and exceeded limits of every scenario, as results hold them."""

from __future__ import annotations

from ..results.records import ScenarioRecord
from ..scene.limits import Limits
from ..scene.scenarios import demand_of
from ..venue.document import Scenario, Study
from ..venue.switching import playing


def scenario_records(study: Study) -> tuple[ScenarioRecord, ...]:
    """The elements, cost and exceeded limits of each scenario; the bare venue first.

    The cost consists of hire, rigging hours at the labour rate, and the fixed sum if anything hangs; in the study's
    currency.
    """
    scenarios = study.document.scenarios_in_order()
    pairs = zip(scenarios, study.document.compared_with(), strict=True)
    limits = Limits(study)
    return tuple(_record(study, scenario, reference, limits) for scenario, reference in pairs)


def _record(study: Study, scenario: Scenario, reference: int, limits: Limits) -> ScenarioRecord:
    demand = demand_of(study, scenario)
    sources = playing(study.sources, study.elements, scenario.elements)
    return ScenarioRecord(
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
        hung=(
            *(element.name for element in study.elements.named(scenario.elements) if element.is_overhead),
            *(name for name in sources if name in limits.rig.sources),
        ),
    )
