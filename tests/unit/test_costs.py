"""What scenarios cost, against a quotation added up by hand (invented)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from roomsim.study.costs import scenario_records
from roomsim.venue.document import (
    ElementsDocument,
    MaterialsDocument,
    SourcesDocument,
    Study,
    StudyDocument,
    VenueDocument,
)

FLAT = (60.0,) * 8

# Line: hire of cloth, pipe and points, hours, roof points, kg on one point, m2 of wool. Totals by hand at
# 45 an hour: D1 2178, D4 1420, D5 1865, D7 1249; with the fixed 1190: D1+D5+D7 6482 (33 h), D1-D4 8878 (46
# h).
LINES = {
    "D1": (1008 + 540, 14, 7, 50.0, 168.0),
    "D2": (900 + 605, 12, 8, 40.0, 150.0),
    "D3": (900 + 605, 12, 8, 40.0, 150.0),
    "D4": (600 + 460, 8, 6, 40.0, 100.0),
    "D5": (720 + 605, 12, 8, 35.0, 120.0),
    "D7": (504 + 430, 7, 6, 32.0, 84.0),
}


def drape(name: str) -> dict[str, Any]:
    hire, hours, points, load, area = LINES[name]
    return {
        "name": name, "runs": (((0, 0), (10, 0)),), "top": 6.0, "drop": 5.0, "fabric": "wool", "hire": hire,
        "rigging_hours": hours, "weight": 10.0 * points, "roof_points": points, "point_load": load,
        "stock": {"wool": area},
    }  # fmt: skip


def study(scenarios: list[dict[str, Any]], bare: str = "bare", **costs: Any) -> Study:
    square = ((0, 0), (5, 0), (5, 5), (0, 5))
    elements = {
        "schema": 1,
        "drape": [drape(name) for name in LINES],
        "floor_covering": [{"name": "carpet", "polygon": square, "material": "carpet", "hire": 200.0}],
        "crowd": [{"name": "crowd", "areas": ("stalls",), "material": "people"}],
        "opening": [{"name": "shutters", "groups": ("shutter",), "rigging_hours": 0.5}],
    }
    document = {
        "schema": 1, "title": "t", "venue": "v", "elements": "e", "sources": "s", "noise": FLAT, "bare": bare,
        "costs": {"labour_rate": 45, "fixed": 1190, **costs}, "scenario": scenarios,
    }  # fmt: skip
    venue = {
        "schema": 1, "name": "hall", "mesh": {"file": "hall.obj", "unit": "m", "up": "z"},
        "surfaces": {"*": "brick"},
        "audience": [{"name": "stalls", "polygon": square}],
    }  # fmt: skip
    sources = {"schema": 1, "source": [{"name": "main", "position": (1, 1, 1), "level": FLAT}]}
    return Study(
        folder=Path(),
        document=StudyDocument.model_validate(document),
        venue=VenueDocument.model_validate(venue),
        elements=ElementsDocument.model_validate(elements),
        sources=SourcesDocument.model_validate(sources),
        materials=MaterialsDocument.model_validate({"schema": 1}),
        digests={},
    )


def scenario(name: str, *elements: str, **more: Any) -> dict[str, Any]:
    return {"name": name, "elements": elements, **more}


def test_the_quotation_adds_up() -> None:
    lines = [scenario(name, name) for name in ("D1", "D4", "D5", "D7")]
    sums = [scenario("for the money", "D1", "D5", "D7"), scenario("four walls", "D1", "D2", "D3", "D4")]
    records = {record.name: record for record in scenario_records(study([*lines, *sums]))}
    assert {name: records[name].cost - 1190 for name in ("D1", "D4", "D5", "D7")} == {
        "D1": 2178,
        "D4": 1420,
        "D5": 1865,
        "D7": 1249,
    }
    assert (records["for the money"].cost, records["for the money"].rigging_hours) == (6482, 33)
    assert (records["four walls"].cost, records["four walls"].rigging_hours) == (8878, 46)
    assert records["four walls"].roof_points == 29
    assert records["four walls"].weight == 290
    assert records["four walls"].hung == ("D1", "D2", "D3", "D4")


def test_the_bare_venue_comes_first_and_costs_nothing() -> None:
    records = scenario_records(
        study([scenario("full", "crowd"), scenario("cloth", "D4", compare_with="full")])
    )
    assert [record.name for record in records] == ["bare", "full", "cloth"]
    assert [record.compare_with for record in records] == [0, 0, 1]
    assert (records[0].cost, records[0].elements, records[0].hung) == (0, (), ())


def test_a_bare_venue_that_is_listed_is_moved_to_the_front() -> None:
    listed = [scenario("cloth", "D4"), scenario("empty", description="as it stands")]
    records = scenario_records(study(listed, bare="empty"))
    assert [record.name for record in records] == ["empty", "cloth"]
    assert records[0].description == "as it stands"
    assert [record.compare_with for record in records] == [0, 0]


def test_the_fixed_sum_is_paid_where_something_hangs() -> None:
    """By hand: carpet 200 hire; half an hour at the shutters 22.50."""
    cases = [
        scenario("full", "crowd"),
        scenario("open", "shutters"),
        scenario("soft", "carpet"),
        scenario("hung", "D4"),
    ]
    costs = {record.name: record.cost for record in scenario_records(study(cases))}
    assert costs == {"bare": 0, "full": 0, "open": 22.5, "soft": 200, "hung": 1420 + 1190}


def test_limits_are_told_in_words() -> None:
    everything = scenario("all", *LINES)
    limits = {
        "currency": "EUR", "budget": 6500, "hours_available": 40, "roof_points_available": 34,
        "point_load_limit": 45, "stock": {"wool": 620},
    }  # fmt: skip
    within = scenario("for the money", "D5", "D7", "D4")
    records = {record.name: record for record in scenario_records(study([everything, within], **limits))}
    assert records["for the money"].limits_broken == ()
    assert len(records["all"].limits_broken) == 5
    told = " | ".join(records["all"].limits_broken)
    # By hand: hours 65; points 43; heaviest 50 kg; wool 772 m2; hire 7877 + 65 * 45 + 1190 = 11992.
    for figure in ("11,992", "6,500", "65", "40", "43", "34", "50", "45", "772", "620", "wool"):
        assert figure in told


@pytest.mark.parametrize("budget", [6482.0, 6481.99])
def test_a_limit_that_is_just_met_is_kept(budget: float) -> None:
    records = scenario_records(study([scenario("for the money", "D1", "D5", "D7")], budget=budget))
    assert bool(records[1].limits_broken) == (budget < 6482)
