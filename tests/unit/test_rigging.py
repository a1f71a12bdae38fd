"""Loads on points and trusses: what loudspeakers and cloth bring together, and what is not known."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import venues
from hypothesis import given
from hypothesis import strategies as st

import roomsim
from roomsim.errors import DocumentError
from roomsim.planning.candidates import candidates_of
from roomsim.scene.findings import Finding
from roomsim.scene.limits import Limits
from roomsim.scene.rigging import Rig, lever_rule
from roomsim.study.costs import scenario_records
from roomsim.venue.document import Study
from roomsim.venue.reading import read_study

HALL = venues.shoebox((20.0, 12.0, 8.0))
SEATS = venues.rectangle_area("seats", (8, 2, 18, 10), (5, 4))
BOX = """
[loudspeaker.line]
height = 0.25
depth = 0.4
width = 0.7
mass = 26
level = [70, 74, 74, 72, 68, 64, 60, 56]
directivity = { kind = "omnidirectional" }
source = "invented for tests"

[loudspeaker.unweighed]
height = 0.25
depth = 0.4
level = [70, 74, 74, 72, 68, 64, 60, 56]
directivity = { kind = "omnidirectional" }
source = "invented for tests"
"""


def hang(name: str = "main", y: float = 6.0, **keys: Any) -> str:
    """Six boxes of 26 kg and a frame of 24 kg: 180 kg. Their middle is at (3, y) in plan, 5.25 to 6.75 m up."""
    plain = {"name": name, "loudspeaker": "line", "top": [3.2, y, 6.75], "count": 6, "splay": [0] * 5}
    return "\n[[hang]]\n" + venues.toml_text({**plain, "frame_mass": 24, **keys})


def point(name: str, x: float, y: float, limit: float | None = None, **keys: Any) -> str:
    given = {"name": name, "position": [x, y, 7.5]} | ({} if limit is None else {"limit": limit}) | keys
    return "\n[[roof_point]]\n" + venues.toml_text(given)


def truss(name: str, x: float, limit: float, **keys: Any) -> str:
    line = {"name": name, "line": [[x, 0.0, 7.5], [x, 12.0, 7.5]], "limit": limit}
    return "\n[[truss]]\n" + venues.toml_text(line | keys)


def drape(name: str = "D", x: float = 3.0, **keys: Any) -> dict[str, Any]:
    plain = {"name": name, "runs": [[[x, 2.0], [x, 10.0]]], "top": 7.0, "drop": 3.0, "fabric": "test_wool"}
    return plain | keys


def described(
    folder: Path, hangs: str = "", roof: str = "", costs: dict[str, Any] | None = None, **options: Any
) -> Path:
    """A hall with these hangs and this roof; the scenario "all" has all elements."""
    elements = options.pop("elements", {})
    names = [entry["name"] for entries in elements.values() for entry in entries]
    options.setdefault("scenarios", [{"name": "all", "elements": names}] if names else [{"name": "bare"}])
    path = venues.write_venue(
        folder,
        HALL,
        audience=[SEATS],
        elements=elements,
        study={"costs": costs or {}},
        absorption=0.2,
        **options,
    )
    for file, text in (("sources.toml", BOX + hangs), ("venue.toml", roof)):
        with (folder / file).open("a", encoding="utf-8") as written:
            written.write(text)
    return path


def studied(folder: Path, *args: Any, **options: Any) -> Study:
    return read_study(described(folder, *args, **options))


def broken(study: Study, name: str = "all") -> dict[str, str]:
    scenario = next(s for s in study.document.scenarios_in_order() if s.name == name)
    return Limits(study).broken(scenario.elements)


def codes(findings: list[Finding]) -> dict[str, Finding]:
    return {finding.code: finding for finding in findings if finding.code not in ("size", "area")}


# --- statics --------------------------------------------------------------------------------------------

coordinate = st.floats(-50.0, 50.0)
place = st.tuples(coordinate, coordinate).map(np.array)


@given(place, place, st.floats(-1.0, 2.0))
def test_the_lever_rule_holds_the_balance(a: np.ndarray, b: np.ndarray, share: float) -> None:
    """Forces and moments about any point vanish (statics of a beam on two supports)."""
    if np.linalg.norm(b - a) < 1e-3:
        return
    load = a + share * (b - a)
    on_a, on_b = lever_rule(a, b, load)
    assert on_a + on_b == pytest.approx(1.0)
    np.testing.assert_allclose(on_a * a + on_b * b, load, atol=1e-9 * (1.0 + np.abs(load).max()))


def test_two_points_share_a_hang_by_its_centre_of_gravity(tmp_path: Path) -> None:
    """Boxes hang with their backs 0.4 m behind the front at x 3.2: the middle is at 3.0. Points at 2.7 and
    3.6: a third of 180 kg on the far one."""
    roof = point("near", 2.7, 6.0) + point("far", 3.6, 6.0)
    study = studied(tmp_path, hang(hang_from=["near", "far"]), roof)
    load = Rig(study).sources["main"]
    assert load.mass == 180.0 and load.unnamed == 0
    assert load.named == {"near": pytest.approx(120.0), "far": pytest.approx(60.0)}


def test_a_tilted_hang_hangs_where_its_boxes_are(tmp_path: Path) -> None:
    """One box that looks straight down has its weight under the edge that it hangs by, half its height ahead
    of it and half its depth up."""
    roof = point("here", 3.2, 6.0) + point("ahead", 3.325, 6.0)
    one = hang(count=1, splay=[], frame_mass=0, tilt=-90, hang_from=["here", "ahead"])
    load = Rig(studied(tmp_path, one, roof)).sources["main"]
    front = 3.2 - 0.125  # the middle of the front, half its height behind the edge
    share = (front - 3.2) / 0.125
    assert share < 0.0 and load.named == {"here": pytest.approx((1.0 - share) * 26.0), "ahead": 0.0}
    assert "lifted" in load.doubts[0]


# --- limits ---------------------------------------------------------------------------------------------


def test_a_hang_on_one_point_is_held_against_the_limit_of_a_point(tmp_path: Path) -> None:
    costs = {"point_load_limit": 75, "roof_points_available": 3}
    study = studied(tmp_path / "one", hang(points=2), costs=costs)
    assert broken(study, "bare") == {"point_load": "load on one roof point, of main, 90 of 75 kg"}
    record = scenario_records(study)[0]
    assert record.limits_broken and record.hung == ("main",)
    light = studied(tmp_path / "three", hang(points=3), costs=costs)
    assert broken(light, "bare") == {}
    both = studied(tmp_path / "both", hang(points=3) + hang("other", 9.0, points=3), costs=costs)
    assert broken(both, "bare") == {"roof_points": "roof points 6 of 3"}


def test_check_says_so_for_every_scenario_at_once(tmp_path: Path) -> None:
    line = drape(x=15.0, weight=40, roof_points=4, point_load=12)
    path = described(tmp_path, hang(), costs={"point_load_limit": 75}, elements={"drape": [line]})
    finding = codes(roomsim.check(path))["point_load_exceeded"]
    assert finding.severity == "warning" and finding.place == "scenarios 'bare' and 'all'"
    assert "of main, 180 of 75 kg" in finding.text and "competent person" in finding.cure


def test_cloth_and_boxes_add_up_on_a_point_and_a_truss(tmp_path: Path) -> None:
    """90 kg of the hang, 25 of the line and 10 that are there already are 125 on a point of 120; the truss has
    180 + 100 + 30 = 310 kg, 10 kg of which hang at its point already."""
    roof = (
        truss("T1", 3.0, 300.0, existing_load=30.0)
        + point("a", 3.0, 5.5, 120.0, existing_load=10.0)
        + point("b", 3.0, 6.5, 120.0)
        + point("c", 3.0, 3.0, 120.0)
        + point("d", 3.0, 9.0, 120.0)
    )
    line = drape(weight=100, hang_from=["a", "c", "d", "b"])
    study = studied(tmp_path, hang(hang_from=["a", "b"]), roof, elements={"drape": [line]})
    assert study.elements.drape[0].roof_points == 4
    assert broken(study, "bare") == {}
    assert broken(study) == {
        "roof_point: a": "roof point a, with main, D, 125 of 120 kg",
        "truss: T1": "truss T1, with main, D, 310 of 300 kg",
    }


def test_a_point_load_counts_where_it_is_above_the_even_share(tmp_path: Path) -> None:
    roof = point("a", 3.0, 3.0, 30.0) + point("b", 3.0, 9.0, 30.0)
    even = drape(weight=50, hang_from=["a", "b"])
    assert broken(studied(tmp_path / "even", roof=roof, elements={"drape": [even]})) == {}
    uneven = even | {"point_load": 31.0}
    assert set(broken(studied(tmp_path / "uneven", roof=roof, elements={"drape": [uneven]}))) == {
        "roof_point: a",
        "roof_point: b",
    }
    # A stated load below the even share cannot be.
    wrong = even | {"point_load": 10.0, "weight": 70.0}
    assert len(broken(studied(tmp_path / "wrong", roof=roof, elements={"drape": [wrong]}))) == 2


def test_points_that_are_not_named_are_the_nearest_and_this_is_said(tmp_path: Path) -> None:
    roof = point("near", 3.0, 6.9, 100.0) + point("far", 3.0, 7.1, 500.0) + point("low", 3.0, 6.0, 500.0)
    roof = roof.replace("[3.0, 6.0, 7.5]", "[3.0, 6.0, 4.0]")  # under the hang: nothing hangs from it
    path = described(tmp_path, hang(), roof)
    assert broken(read_study(path), "bare") == {
        "roof_point: near": "roof point near, with main, 180 of 100 kg"
    }
    finding = codes(roomsim.check(path))["points_assumed"]
    assert finding.severity == "note" and "'main': 'near'" in finding.text and "hang_from" in finding.cure


def test_a_line_along_a_truss_hangs_from_it_and_one_across_is_not_known(tmp_path: Path) -> None:
    line = drape(weight=320, roof_points=8, point_load=40)
    across = line | {"name": "across", "runs": [[[1.0, 6.0], [9.0, 6.0]]]}
    path = described(tmp_path, roof=truss("T1", 3.4, 300.0), elements={"drape": [line, across]})
    assert broken(read_study(path)) == {"truss: T1": "truss T1, with D, 320 of 300 kg"}
    text = codes(roomsim.check(path))["loads_unchecked"].text
    assert "The truss that carries 'across'" in text and "points from which 'D' and 'across' hang" in text
    assert "No limit is given for the points of 'D' and 'across'" in text


def test_what_does_not_play_does_not_hang_and_weights_of_changes_hold_their_boxes(tmp_path: Path) -> None:
    """The same boxes at other angles hang once. A pair of delays of 20 kg each and 12 kg more to hang them."""
    delays = [
        {
            "name": f"delay {side}",
            "role": "delay",
            "position": [10.0, y, 5.0],
            "level": [70.0] * 8,
            "mass": 20.0,
        }
        for side, y in (("left", 3.0), ("right", 9.0))
    ]
    changes = [
        {"name": "aimed", "switch_on": ["main, aimed"], "switch_off": ["main"]},
        {"name": "delays", "switch_on": ["delay left", "delay right"], "weight": 52, "roof_points": 2}
        | {"point_load": 30},
    ]
    roof = truss("T1", 3.0, 200.0) + truss("T2", 10.0, 51.0)
    study = studied(
        tmp_path,
        hang() + hang("main, aimed", tilt=-5),
        roof,
        {"point_load_limit": 29, "roof_points_available": 3},
        elements={"system_change": changes},
        sources=delays,
        scenarios=[{"name": name, "elements": [name]} for name in ("aimed", "delays")],
    )
    rig = Rig(study)
    heavy = "load on one roof point, of main{}, 180 of 29 kg"
    assert broken(study, "aimed") == {"point_load": heavy.format(", aimed")}
    assert broken(study, "delays") == {
        "point_load": heavy.format(""),
        "truss: T2": "truss T2, with delay left, delay right, delays, 52 of 51 kg",
    }
    extra = rig.elements["delays"]
    assert (extra.mass, extra.points, extra.on_unnamed) == (12.0, 0, 30.0)


def test_boxes_without_mass_are_weighed_by_the_change_that_brings_them(tmp_path: Path) -> None:
    change = {"name": "more", "switch_on": ["extra"], "weight": 90, "roof_points": 1, "point_load": 90}
    roof = point("p", 3.0, 6.0, 80.0)
    path = described(
        tmp_path,
        hang("extra", loudspeaker="unweighed", hang_from=["p"]),
        roof,
        elements={"system_change": [change]},
    )
    assert broken(read_study(path)) == {"roof_point: p": "roof point p, with extra, more, 90 of 80 kg"}
    assert "load_unknown" not in codes(roomsim.check(path))


def test_a_change_that_states_no_weight_leaves_its_boxes_unknown(tmp_path: Path) -> None:
    """Two changes bring the same boxes, and only one says what they weigh."""
    changes = [
        {"name": "stated", "switch_on": ["extra"], "weight": 90, "roof_points": 1},
        {"name": "silent", "switch_on": ["extra"]},
    ]
    boxes = hang("extra", loudspeaker="unweighed")
    path = described(tmp_path, boxes, costs={"point_load_limit": 75}, elements={"system_change": changes})
    assert "'extra'" in codes(roomsim.check(path))["load_unknown"].text


def test_a_plan_leaves_out_what_the_point_does_not_carry_beside_the_loudspeakers(tmp_path: Path) -> None:
    """A line of 80 kg on two points passes where nothing hangs, and not on the point of a hang of 180 kg."""
    roof = point("a", 3.0, 6.0, 200.0) + point("b", 3.0, 9.0, 200.0) + point("c", 3.0, 3.0, 200.0)
    lines = [drape("beside", weight=80, hang_from=["b", "c"]), drape("on it", weight=80, hang_from=["a", "b"])]
    study = studied(tmp_path, hang(hang_from=["a"]), roof, elements={"drape": lines})
    found = candidates_of(study, {})
    assert found.names == ("beside",)
    assert found.refused == {"on it": "by itself it exceeds a limit: roof point a, with main, on it, 220 of 200 kg"}


def test_a_flown_stack_hangs_and_one_on_the_floor_does_not(tmp_path: Path) -> None:
    """Three bass boxes of 26 kg and 12 kg of frame on two points: 45 kg each."""

    def stack(height: float, **keys: Any) -> str:
        given = {"name": "subs", "loudspeaker": "line", "position": [3.2, 6.0, height], **keys}
        return "\n[[sub_stack]]\n" + venues.toml_text(given) + 'arrangement = { kind = "stack", count = 3 }\n'

    costs = {"point_load_limit": 40}
    flown = studied(tmp_path / "flown", stack(5.0, points=2, frame_mass=12), costs=costs)
    assert broken(flown, "bare") == {"point_load": "load on one roof point, of subs, 45 of 40 kg"}
    assert broken(studied(tmp_path / "floor", stack(0.0), costs=costs), "bare") == {}
    unsaid = codes(roomsim.check(described(tmp_path / "unsaid", stack(5.0), costs=costs)))
    assert "How 'subs' is supported" in unsaid["loads_unchecked"].text


# --- what is not known ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("costs", "severity"), [({"point_load_limit": 75}, "warning"), ({}, "note")])
def test_a_load_that_is_not_stated_is_said_not_to_be_checked(
    tmp_path: Path, costs: dict[str, Any], severity: str
) -> None:
    path = described(
        tmp_path, hang(loudspeaker="unweighed"), costs=costs, elements={"drape": [drape(x=15.0)]}
    )
    finding = codes(roomsim.check(path))["load_unknown"]
    assert finding.severity == severity and "'main' and 'D'" in finding.text and "not checked" in finding.text
    assert broken(read_study(path)) == {}


def test_a_source_up_high_is_asked_how_it_is_held(tmp_path: Path) -> None:
    high = {"name": "high", "position": [3.0, 6.0, 5.0], "level": [70.0] * 8}
    found = codes(roomsim.check(described(tmp_path / "a", sources=[high])))
    assert "How 'high' is supported" in found["loads_unchecked"].text
    for i, stated in enumerate(({"mounting": "wall"}, {"position": [3.0, 6.0, 1.5]})):
        found = codes(roomsim.check(described(tmp_path / str(i), sources=[high | stated])))
        assert set(found) <= {"document", "seats"}, found


def test_all_known_and_kept_leaves_nothing_to_say(tmp_path: Path) -> None:
    roof = truss("T1", 3.0, 500.0) + point("a", 3.0, 5.5, 120.0) + point("b", 3.0, 6.5, 120.0)
    # The seats of each area are always told.
    assert set(codes(roomsim.check(described(tmp_path, hang(hang_from=["a", "b"]), roof)))) == {"seats"}


@pytest.mark.parametrize(
    ("place", "said"),
    [((3.0, 6.0, 6.0), "below its top"), ((7.0, 6.0, 7.5), "a leg this flat"), ((3.0, 9.0, 11.0), "")],
)
def test_points_from_which_it_cannot_hang(tmp_path: Path, place: tuple[float, ...], said: str) -> None:
    roof = point("p", 0.0, 0.0, 500.0).replace("[0.0, 0.0, 7.5]", str(list(place)))
    found = codes(roomsim.check(described(tmp_path, hang(hang_from=["p"]), roof)))
    assert ("points_do_not_fit" in found) == bool(said)
    if said:
        finding = found["points_do_not_fit"]
        assert finding.severity == "warning" and said in finding.text and finding.place == "source 'main'"


FAULTS: list[tuple[str, str, str]] = [
    (hang(hang_from=["q"]), point("p", 3.0, 6.0), 'no roof point of the venue is called "q"'),
    (hang(hang_from=["p", "p"]), point("p", 3.0, 6.0), '"p" is named twice'),
    (hang(hang_from=["p", "r"], points=1), point("p", 3.0, 6.0) + point("r", 3.0, 7.0), "points is 1"),
    ("", point("p", 3.0, 6.0, truss="T9"), 'no truss is called "T9"'),
    ("", point("p", 3.0, 6.0) + point("p", 3.0, 7.0), "every name here must be different"),
    ("", truss("T", 3.0, 9.0, line=[[1, 1, 7], [1, 1, 7]]), "its two ends are the same point"),
    (hang(frame_mass=1e300), "", "frame_mass"),
    ("", truss("T", 3.0, 9.0) + truss("T", 4.0, 9.0), "every name here must be different"),
]


@pytest.mark.parametrize(("sources", "roof", "said"), FAULTS)
def test_faults_in_names(tmp_path: Path, sources: str, roof: str, said: str) -> None:
    with pytest.raises(DocumentError) as caught:
        studied(tmp_path, sources, roof)
    assert said in str(caught.value)


def test_a_stand_hangs_from_nothing(tmp_path: Path) -> None:
    stand = {
        "name": "s",
        "position": [3.0, 6.0, 1.5],
        "level": [70.0] * 8,
        "mounting": "stand",
        "hang_from": ["p"],
    }
    with pytest.raises(DocumentError, match="mounting says"):
        studied(tmp_path, roof=point("p", 3.0, 6.0), sources=[stand])
