"""Tiles that change nothing, and new lines that hang where they may."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from venues import l_shape, rectangle_area, write_shoebox, write_venue

from roomsim.scene.checks import check_venue
from roomsim.scene.compile import compile_scene, with_element_sets
from roomsim.scene.wall_lines import LONGEST, SHORTEST, suggested_lines
from roomsim.venue.reading import read_study

DOOR = {
    "name": "door",
    "kind": "exit",
    "polygon": [[5.0, 0.0], [7.0, 0.0], [7.0, 1.5], [5.0, 1.5]],
    "top": 2.1,
}


def opened(path):
    study = read_study(path)
    return study


@pytest.fixture(scope="module")
def box(tmp_path_factory):
    """12 x 8 x 5 m with a door in the south wall and cloth on the whole east wall."""
    return opened(
        write_shoebox(tmp_path_factory.mktemp("box"), (12.0, 8.0, 5.0), free_sheet=True, zones=[DOOR])
    )


# --- tiles ----------------------------------------------------------------------------------------------


def test_tiles_divide_surfaces_and_change_nothing(box):
    study = box
    whole, divided = compile_scene(study), compile_scene(study, tile=2.0)
    assert len(divided.patches) > 3 * len(whole.patches)
    for scene in (whole, divided):
        area = np.array([patch.area for patch in scene.patches])
        scene_absorption = np.einsum("p,pkb->kb", area, scene.absorption)
        if scene is whole:
            expected = scene_absorption
    # Slivers of 1e-4 m2 may go to a neighbour: a hundred of them of some 400 m2.
    assert scene_absorption == pytest.approx(expected, rel=1e-4)
    assert len(divided.mirror_planes) == len(whole.mirror_planes)
    # Free cloth stays whole; it is seen as a line.
    assert max(patch.area for patch in divided.patches if not patch.is_sheet) < 2.0 * 2.0**2


@pytest.mark.parametrize(("length", "parts"), [(2.9, 1), (3.2, 2), (5.1, 3), (6.9, 3), (7.1, 4)])
def test_surfaces_are_divided_where_they_are_half_as_large_again_as_a_tile(tmp_path, length, parts):
    """A box 2 m wide and high: four sides of `length` by 2 m in parts of about 2 m, two ends that stay whole."""
    bare = {"drape": False, "crowd": False, "scenarios": [{"name": "bare"}]}
    path = write_shoebox(tmp_path, (length, 2.0, 2.0), seats=(1, 1), **bare)
    whole, divided = (compile_scene(opened(path), **tile) for tile in ({}, {"tile": 2.0}))
    assert len(whole.patches) == 6
    assert len(divided.patches) == 4 * parts + 2
    areas = sorted(patch.area for patch in divided.patches)
    assert areas == pytest.approx(sorted([4.0, 4.0] + [2.0 * length / parts] * (4 * parts)))


def test_a_compiled_scene_takes_on_other_sets_of_elements(box):
    study = box
    scene = compile_scene(study)
    turned = tuple(reversed(study.document.scenario))
    other = study.model_copy(update={"document": study.document.model_copy(update={"scenario": turned})})
    fresh = compile_scene(other)
    sets = [scenario.elements for scenario in other.document.scenarios_in_order()]
    again = with_element_sets(scene, study, sets, fresh.noise[0])
    assert np.array_equal(again.factors, fresh.factors)
    assert np.array_equal(again.sources.active, fresh.sources.active)
    assert np.array_equal(again.noise, fresh.noise)
    assert again.compare_with.tolist() == [0] * len(sets)


# --- lines ----------------------------------------------------------------------------------------------


def test_new_lines_break_no_rule_and_leave_hung_cloth_alone(box):
    study = box
    hung = study.elements.drape
    lines = suggested_lines(study, hung)
    assert lines
    door = shapely.Polygon(DOOR["polygon"])
    for line in lines:
        run = shapely.LineString(line.runs[0])
        assert SHORTEST <= run.length <= LONGEST + 0.02  # ends are rounded to 10 mm
        assert run.intersection(door).length < 0.05
        x = np.array(line.runs[0])[:, 0]
        assert x.max() < 11.0 or abs(x[0] - x[1]) > 1.0, "a second line along the hung east wall"
        # Cloth as hung on the east wall: the drop is its own, or what the wall leaves.
        assert line.stand_off == 0.15 and line.fabric == "test_wool"
    covered = sum(shapely.LineString(line.runs[0]).length for line in lines)
    # Two long walls of 12 m and one of 8 m; less the door of 2 m and what each wall is not a whole number of steps.
    assert 2 * 12 + 8 - 2 - 4 * 0.5 - 0.6 < covered <= 2 * 12 + 8 - 2


def test_check_finds_nothing_against_them(box):
    study = box
    lines = suggested_lines(study, study.elements.drape)
    elements = study.elements.model_copy(update={"drape": (*study.elements.drape, *lines)})
    found = check_venue(study.model_copy(update={"elements": elements}))
    names = {line.name for line in lines}
    assert not [
        finding.text for finding in found if names & set(finding.elements) and finding.severity != "note"
    ]


def test_new_lines_cost_weigh_and_take_as_much_per_square_metre_as_the_study_s_own(box):
    study = box
    # 7.4 m wide, 300 of hire, 4 h and 40 kg (`write_shoebox`); here as for a hall of twice the height, so that the new
    # lines are shorter from top to bottom.
    own = study.elements.drape[0].model_copy(update={"top": 9.0, "drop": 8.8, "stock": {"wool": 80.0}})
    metres = 7.4 * 8.8
    elements = study.elements.model_copy(update={"drape": (own,)})
    lines = suggested_lines(study.model_copy(update={"elements": elements}), elements.drape)
    lengths = [float(np.hypot(*(np.array(line.runs[0][1]) - np.array(line.runs[0][0])))) for line in lines]
    assert {line.drop for line in lines} == {4.8} and len({round(length) for length in lengths}) > 1
    for line, length in zip(lines, lengths):
        share = length * line.drop / metres
        # Ends and drop are rounded to 10 mm, hire to whole money, hours and stock to a tenth, weight to whole kg.
        assert line.hire == pytest.approx(300.0 * share, abs=0.5 + 0.01 * 300.0 * share)
        assert line.rigging_hours == pytest.approx(4.0 * share, abs=0.05 + 0.01 * 4.0 * share)
        assert line.weight == pytest.approx(40.0 * share, abs=0.5 + 0.01 * 40.0 * share)
        assert line.stock["wool"] == pytest.approx(80.0 * share, abs=0.05 + 0.01 * 80.0 * share)


def test_walls_round_a_corner_get_lines_on_the_side_of_the_room(tmp_path):
    areas = [rectangle_area("seats", (5.5, 1.0, 9.5, 3.0), (4, 2))]
    study = opened(write_venue(tmp_path, l_shape(), audience=areas))
    lines = suggested_lines(study, ())
    room = shapely.Polygon([(0, 0), (12, 0), (12, 4), (5, 4), (5, 10), (0, 10)])
    assert len(lines) >= 6
    assert all(room.contains(shapely.LineString(line.runs[0]).centroid) for line in lines)
