"""What scenarios demand, and which limits they break."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import venues

from roomsim.scene.limits import Limits
from roomsim.scene.scenarios import demand_of
from roomsim.venue.document import Study
from roomsim.venue.reading import read_study

COSTS = {"labour_rate": 45.0, "fixed": 1190.0, "currency": "EUR"}


def line(name: str, **keys: Any) -> dict[str, Any]:
    return {"name": name, "runs": [[[1, 1], [4, 1]]], "top": 3.0, "drop": 2.0, "fabric": "test_wool", **keys}


def study(folder: Path, **costs: Any) -> Study:
    d1 = line("D1", hire=1548.0, rigging_hours=14.0, weight=240.0, roof_points=7, point_load=50.0)
    d4 = line("D4", hire=1060.0, rigging_hours=8.0, weight=160.0, roof_points=6, point_load=40.0)
    stock = [{"wool": 168.0}, {"wool": 100.0}]
    drapes = [entry | {"stock": taken} for entry, taken in zip((d1, d4), stock)]
    carpet = {"name": "mat", "polygon": [[1, 1], [2, 1], [2, 2]], "material": "crowd", "hire": 100.0}
    scenarios = [
        {"name": "carpet only", "elements": ["mat"]},
        {"name": "both lines", "elements": ["D4", "D1"]},
    ]
    return read_study(
        venues.write_venue(
            folder,
            venues.shoebox(),
            audience=[venues.rectangle_area("seats", (1, 1, 3, 3), (2, 2))],
            elements={"drape": drapes, "floor_covering": [carpet]},
            scenarios=scenarios,
            study={"costs": COSTS | costs},
        )
    )


def test_sums_by_hand(tmp_path: Path) -> None:
    found = study(tmp_path)
    bare, carpet, both = (demand_of(found, s) for s in found.document.scenarios_in_order())
    assert bare.cost == bare.hire == bare.weight == 0.0
    # Nothing hangs: no fixed sum.
    assert carpet.cost == 100.0
    # 1548 + 1060 + 22 h x 45 + 1190.
    assert both.cost == pytest.approx(4788.0)
    assert (both.rigging_hours, both.weight, both.roof_points) == (22.0, 400.0, 13)


@pytest.mark.parametrize(
    ("costs", "key", "phrase"),
    [
        ({"budget": 4700.0}, "budget", "budget 4,788 of 4,700 EUR"),
        ({"hours_available": 20.0}, "hours", "rigging hours 22 of 20 h"),
        ({"roof_points_available": 12}, "roof_points", "roof points 13 of 12"),
        ({"point_load_limit": 45.0}, "point_load", "load on one roof point, of D1, 50 of 45 kg"),
        ({"stock": {"wool": 200.0}}, "stock: wool", "stock of wool 268 of 200 m2"),
        ({"stock": {"felt": 200.0}}, "stock: wool", "stock of wool 268 of 0 m2"),
    ],
)
def test_each_limit_is_told_with_both_figures(
    tmp_path: Path, costs: dict[str, Any], key: str, phrase: str
) -> None:
    found = study(tmp_path, **costs)
    bare, carpet, both = found.document.scenarios_in_order()
    assert Limits(found).broken(both.elements) == {key: phrase}
    assert Limits(found).broken(bare.elements) == {} == Limits(found).broken(carpet.elements)


def test_a_limit_that_is_just_met_is_kept(tmp_path: Path) -> None:
    kept = {"budget": 4788.0, "hours_available": 22.0, "roof_points_available": 13, "point_load_limit": 50.0}
    found = study(tmp_path, **kept, stock={"wool": 268.0})
    assert all(not Limits(found).broken(scenario.elements) for scenario in found.document.scenarios_in_order())
