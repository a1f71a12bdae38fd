"""Money, crew, roof and stock of every scenario, as a finished study keeps them."""

from __future__ import annotations

from ..scene.rigging import Rig
from ..scene.scenarios import demand_of, elements_of, hangs, limits_broken
from ..venue.document import Scenario, Study
from ..venue.switching import playing
from .results import ScenarioRecord


def scenario_records(study: Study) -> tuple[ScenarioRecord, ...]:
    """What each scenario consists of, costs and breaks; the bare venue first.

    Cost: hire, and rigging hours at the labour rate, and the fixed sum if anything hangs; in the study's
    currency.
    """
    scenarios = study.document.scenarios_in_order()
    pairs = zip(scenarios, study.document.compared_with(), strict=True)
    rig = Rig(study)
    return tuple(_record(study, scenario, reference, rig) for scenario, reference in pairs)


def _record(study: Study, scenario: Scenario, reference: int, rig: Rig) -> ScenarioRecord:
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
        limits_broken=tuple(limits_broken(study, scenario, rig).values()),
        sources=sources,
        hung=(
            *(element.name for element in elements_of(study, scenario) if hangs(element)),
            *(name for name in sources if name in rig.sources),
        ),
    )
