"""Loudspeakers keep exits, escape routes and the like clear, as cloth does."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import venues

import roomsim
from roomsim.scene.checks import refused_scenarios
from roomsim.scene.findings import Finding
from roomsim.venue.reading import read_study

HALL = venues.shoebox((20.0, 12.0, 8.0))
SEATS = venues.rectangle_area("seats", (8, 2, 16, 10), (4, 4))
EXIT = {"name": "north door", "kind": "exit", "polygon": [[4, 9], [6, 9], [6, 12], [4, 12]], "top": 2.5}
AISLE = {"name": "aisle", "kind": "escape_route", "polygon": [[2, 4], [18, 4], [18, 6], [2, 6]], "top": 2.1}
BOX = """
[loudspeaker.bass]
height = 0.5
depth = 0.8
{width}
mass = 60
level = [80, 70, 50, 40, 30, 20, 10, 0]
directivity = {{ kind = "omnidirectional" }}
source = "invented for tests"
"""
TALKER = {"name": "talker", "position": [2.0, 2.0, 1.6], "level": [70.0] * 8}
ZONE_CODES = ("zone_conflict", "hangs_over_zone", "size_assumed")


def stack(x: float, y: float, **keys: Any) -> str:
    given = {"name": "subs", "loudspeaker": "bass", "position": [x, y, 0.0]} | keys
    return "\n[[sub_stack]]\n" + venues.toml_text(given) + 'arrangement = { kind = "stack", count = 3 }\n'


def hang(x: float, y: float, top: float, count: int = 4) -> str:
    given = {
        "name": "hang",
        "loudspeaker": "bass",
        "top": [x, y, top],
        "count": count,
        "splay": [0] * (count - 1),
    }
    return "\n[[hang]]\n" + venues.toml_text(given)


def written(
    folder: Path, systems: str = "", width: float | None = 0.6, zones: Any = (EXIT, AISLE), **options: Any
) -> Path:
    options.setdefault("scenarios", [{"name": "bare"}])
    options.setdefault("sources", [TALKER])
    path = venues.write_venue(folder, HALL, audience=[SEATS], zones=zones, absorption=0.2, **options)
    with (folder / "sources.toml").open("a", encoding="utf-8") as file:
        file.write(BOX.format(width="" if width is None else f"width = {width}") + systems)
    return path


def found(folder: Path, *args: Any, **options: Any) -> list[Finding]:
    return [f for f in roomsim.check(written(folder, *args, **options)) if f.code in ZONE_CODES]


def single(x: float, y: float, z: float, **keys: Any) -> dict[str, Any]:
    return {"name": "box", "position": [x, y, z], "level": [70.0] * 8, **keys}


def test_three_subs_in_an_exit(tmp_path: Path) -> None:
    """Fronts at x 5.2, 0.6 m wide and 0.8 m deep, look along x: x 4.4 to 5.2, y 9.7 to 10.3, up to 1.5 m."""
    (finding,) = found(tmp_path, stack(5.2, 10.0))
    assert (finding.code, finding.severity, finding.place) == ("zone_conflict", "error", "source 'subs'")
    assert (
        "stands in the exit 'north door', over 0.48 m2 between x 4.40 and 5.20, y 9.70 and 10.30"
        in finding.text
    )
    assert "at heights from 0.00 m to 1.50 m" in finding.text and "responsible" in finding.cure
    assert finding.sources == ("subs",) and finding.position == pytest.approx((4.8, 10.0, 0.75))


@pytest.mark.parametrize(("y", "clear"), [(8.7, True), (8.71, False), (8.0, True)])
def test_the_same_beside_the_exit(tmp_path: Path, y: float, clear: bool) -> None:
    """0.3 m to either side of y; the exit begins at 9."""
    assert (found(tmp_path, stack(5.2, y)) == []) == clear


def test_turned_round_it_takes_another_place(tmp_path: Path) -> None:
    """Before the exit, looking away from it, its depth reaches in; looking at it, it does not."""
    assert found(tmp_path / "away", stack(5.0, 8.9, azimuth=-90))[0].code == "zone_conflict"
    assert found(tmp_path / "at", stack(5.0, 8.9, azimuth=90)) == []


def test_a_hang_low_across_an_escape_route(tmp_path: Path) -> None:
    """Four boxes of 0.5 m from 3.5 m hang down to 1.5 m; the way is kept clear to 2.1 m."""
    (finding,) = found(tmp_path, hang(3.0, 5.0, 3.5))
    assert finding.code == "zone_conflict" and finding.severity == "error"
    assert "hangs in the escape route 'aisle'" in finding.text and "at heights from 1.50 m to 2.10 m" in finding.text


def test_a_hang_above_the_height_of_a_zone_passes_and_is_noted(tmp_path: Path) -> None:
    (finding,) = found(tmp_path, hang(3.0, 5.0, 6.0))
    assert (finding.code, finding.severity) == ("hangs_over_zone", "note")
    assert "1.90 m above the top of the zone" in finding.text
    plant = AISLE | {"kind": "other"}
    assert found(tmp_path / "other", hang(3.0, 5.0, 6.0), zones=[plant]) == []


def test_a_zone_up_in_the_room(tmp_path: Path) -> None:
    """A heater's surroundings: what stands below and what hangs beside are clear of it."""
    heater = {
        "name": "heater",
        "kind": "plant",
        "polygon": [[2, 4], [4, 4], [4, 6], [2, 6]],
        "bottom": 4,
        "top": 6,
    }
    assert found(tmp_path / "a", hang(3.0, 5.0, 6.5), zones=[heater])[0].code == "zone_conflict"
    assert found(tmp_path / "b", stack(3.0, 5.0), zones=[heater]) == []
    assert found(tmp_path / "c", hang(5.2, 5.0, 6.5), zones=[heater]) == []


@pytest.mark.parametrize(
    ("keys", "position", "clear"),
    [
        ({}, (5.0, 10.0, 1.6), False),  # low: it stands
        ({}, (5.0, 10.0, 3.2), True),  # higher than anything stands, and over the zone
        ({"mounting": "stand"}, (5.0, 10.0, 3.2), False),  # unless it is said to
        ({"mounting": "stand", "size": [0.3, 0.3, 0.5]}, (3.6, 10.0, 1.6), False),  # legs reach 0.5 m
        ({"mounting": "wall", "size": [0.3, 0.3, 0.5]}, (3.6, 10.0, 1.6), True),
        ({"mounting": "wall"}, (5.0, 10.0, 2.3), False),  # 0.6 m high: down to 2.0 m
        ({"mass": 20.0, "size": [0.4, 0.4, 0.4]}, (5.0, 10.0, 2.6), False),  # hung, down to 2.4 m
        ({"mass": 20.0, "size": [0.4, 0.4, 0.4]}, (5.0, 10.0, 2.8), True),
        ({"role": "noise"}, (5.0, 10.0, 1.0), False),  # a generator in a door
    ],
)
def test_single_boxes(
    tmp_path: Path, keys: dict[str, Any], position: tuple[float, float, float], clear: bool
) -> None:
    findings = found(tmp_path, sources=[TALKER, single(*position, **keys)])
    assert ("zone_conflict" not in {f.code for f in findings}) == clear


def test_a_stand_on_a_deck_over_the_zone(tmp_path: Path) -> None:
    """What stands on a gallery does not stand in the exit below."""
    shell = venues.with_screen(
        HALL, "deck", [(3.0, 8.0, 3.0), (7.0, 8.0, 3.0), (7.0, 11.5, 3.0), (3.0, 11.5, 3.0)]
    )
    path = venues.write_venue(
        tmp_path, shell, audience=[SEATS], zones=[EXIT], absorption=0.2, scenarios=[{"name": "bare"}],
        sources=[single(5.0, 10.0, 4.6, mounting="stand")],
    )  # fmt: skip
    assert not [f for f in roomsim.check(path) if f.code == "zone_conflict"]


@pytest.mark.parametrize(
    ("x", "y", "low"), [(5.0, 10.0, 2.5), (4.0, 8.5, 2.25), (8.0, 9.0, 3.25), (8.0, 11.0, 0.0), (2.4, 7.2, 1.85)]
)
def test_a_stand_reaches_down_to_the_surface_below_it(tmp_path: Path, x: float, y: float, low: float) -> None:
    """A ramp 2 + (x - 3) / 4 m up over an uneven quadrilateral; beside it the floor."""
    plan = [(2.0, 7.0), (9.0, 8.0), (7.0, 11.5), (3.0, 11.0)]
    shell = venues.with_screen(HALL, "ramp", [(x, y, 2.0 + 0.25 * (x - 3.0)) for x, y in plan])
    everywhere = {"name": "hall", "kind": "other", "polygon": [[0, 0], [20, 0], [20, 12], [0, 12]], "top": 8}
    path = venues.write_venue(
        tmp_path, shell, audience=[SEATS], zones=[everywhere], absorption=0.2, scenarios=[{"name": "bare"}],
        sources=[single(x, y, 4.6, mounting="stand")],
    )  # fmt: skip
    (conflict,) = [f for f in roomsim.check(path) if f.code == "zone_conflict"]
    assert f"{low:.2f} m to " in conflict.text


def test_a_size_that_is_assumed_is_said(tmp_path: Path) -> None:
    (finding,) = found(tmp_path / "in", stack(5.2, 10.0), width=None)
    assert finding.code == "zone_conflict" and "'bass' are assumed to be 1 m wide" in finding.text
    (near,) = found(tmp_path / "near", stack(5.2, 8.2), width=None)
    assert (near.code, near.severity) == ("size_assumed", "note") and "width of the box" in near.cure
    assert found(tmp_path / "far", stack(5.2, 7.5), width=None) == []


def test_other_zones_warn(tmp_path: Path) -> None:
    (finding,) = found(tmp_path, stack(5.2, 10.0), zones=[EXIT | {"kind": "other"}])
    assert finding.severity == "warning" and "responsible" not in finding.cure


def test_only_scenarios_in_which_it_plays_are_refused(tmp_path: Path) -> None:
    changes = [{"name": "with subs", "switch_on": ["subs"]}]
    path = written(
        tmp_path, stack(5.2, 10.0), elements={"system_change": changes},
        scenarios=[{"name": "without", "elements": ["occupied"]}, {"name": "with", "elements": ["with subs"]}],
    )  # fmt: skip
    study = read_study(path)
    assert list(refused_scenarios(study, roomsim.check(path))) == ["with"]
