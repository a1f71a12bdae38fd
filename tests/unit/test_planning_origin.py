"""The origin of late energy: shares and names of surfaces, and where another line of cloth would cover most of it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from roomsim.planning.late_energy import late_energy_origin, outlines, worst_places

OTHER_SOURCES = "direct sound of other sources"


def scene_of(*patches, seats=(0,)):
    """Patches by group, area, what covers them, and sides; the audience area of each seat."""
    names = ("group", "area", "covers", "sides", "is_sheet")
    return SimpleNamespace(
        patches=[
            SimpleNamespace(**dict(zip(names, (*patch, *(1, False)[len(patch) - 3 :])))) for patch in patches
        ],
        receivers=SimpleNamespace(
            area=np.array(seats), area_names=tuple(f"area {i}" for i in range(max(seats) + 1))
        ),
    )


def study_of_groups(surfaces, groups):
    """A venue of groups whose surfaces the venue file names; late is what comes after 80 ms."""
    return SimpleNamespace(
        mesh=SimpleNamespace(group_names=tuple(groups), group_labels=tuple(groups)),
        venue=SimpleNamespace(surfaces=dict.fromkeys(surfaces, "wood")),
        document=SimpleNamespace(plan=SimpleNamespace(late_after=80.0)),
    )


def origin_of(scene, study, energy, present=()):
    """Of energies (n_areas, n_patches + 1), the same in all bands and batches."""
    replicates = np.broadcast_to(np.array(energy, float)[None, :, :, None], (6, *np.shape(energy), 8)).copy()
    asked = []

    def late_energy(scenario, after):
        asked.append((scenario, after))
        return SimpleNamespace(replicates=replicates)

    evaluator = SimpleNamespace(scene=scene, late_energy=late_energy)
    found = late_energy_origin(evaluator, study, SimpleNamespace(present=lambda mask: tuple(present)), 5, 2)
    assert asked == [(2, pytest.approx(0.08))] and found.option == 5 and found.after == pytest.approx(0.08)
    return found


def names_of(scene, study, present=()):
    """Names of the surfaces in the order of the patches, each of which sends less than the one before."""
    n = len(scene.patches)
    return list(origin_of(scene, study, [[2.0**-i for i in range(n)] + [0.0]], present).surfaces)


def test_shares_are_those_of_the_sums_over_seats():
    """Two walls of one name, a floor, and other sources; three seats in one area and one in the other."""
    scene = scene_of(
        ("wall_a", 10.0, (), 2), ("wall_b", 5.0, ()), ("floor", 8.0, ()), seats=(0, 0, 1, 0)
    )  # fmt: skip
    study = study_of_groups(["*", "wall_*", "floor"], ["wall_a", "wall_b", "floor"])
    found = origin_of(scene, study, [[4.0, 2.0, 2.0, 2.0], [1.0, 6.0, 2.0, 1.0]])
    assert found.surfaces == ("wall", "floor", OTHER_SOURCES)
    np.testing.assert_allclose(found.square_metres, [2 * 10.0 + 5.0, 8.0, 0.0])
    # In each area: 6, 2, 2 of 10 and 7, 2, 1 of 10.
    np.testing.assert_allclose(found.share, np.tile([[[0.6], [0.2], [0.2]], [[0.7], [0.2], [0.1]]], 8))
    np.testing.assert_allclose(found.half_width, 0.0, atol=1e-12)
    # Over all: 3 x 6 + 7, 3 x 2 + 2, 3 x 2 + 1 of 40.
    np.testing.assert_allclose(found.overall, np.tile([[25.0 / 40.0], [8.0 / 40.0], [7.0 / 40.0]], 8))
    # By patch and square metre of both sides: 13, 12 and 8 of 40.
    np.testing.assert_allclose(found.density, [13.0 / 40.0 / 20.0, 12.0 / 40.0 / 5.0, 8.0 / 40.0 / 8.0])
    assert found.area_names == ("area 0", "area 1")


def test_surfaces_without_late_energy_are_left_out():
    scene = scene_of(("wall", 10.0, ()), ("floor", 8.0, ()))
    study = study_of_groups(["wall", "floor"], ["wall", "floor"])
    assert origin_of(scene, study, [[0.0, 3.0, 0.0]]).surfaces == ("floor",)
    assert origin_of(scene, study, [[1.0, 3.0, 2.0]]).surfaces == ("floor", OTHER_SOURCES, "wall")
    nothing = origin_of(scene, study, [[0.0, 0.0, 0.0]])
    assert nothing.surfaces == () and (nothing.density == 0.0).all()


@pytest.mark.parametrize("reverse", [False, True])
def test_surfaces_are_called_as_the_venue_file_names_them(reverse):
    """By an exact name as it stands, otherwise by the longest pattern without its wildcards."""
    surfaces = ["roof_deck", "wall_*", "wall_east", "w*", "floor_?", "*_panel"]
    groups = ["wall_north", "wall_east", "roof_deck", "floor_1", "window", "north_panel"]
    study = study_of_groups(surfaces[::-1] if reverse else surfaces, groups)
    found = names_of(scene_of(*((group, 1.0, ()) for group in groups)), study)
    assert found == ["wall", "wall east", "roof deck", "floor", "w", "panel"]


def test_a_surface_that_only_a_bare_wildcard_names_is_called_by_its_group():
    study = study_of_groups(["*"], ["wall_north", "roof_deck"])
    assert names_of(scene_of(("wall_north", 1.0, ()), ("roof_deck", 1.0, ())), study) == [
        "wall north",
        "roof deck",
    ]


def test_a_patch_is_called_by_what_covers_it_if_that_hangs():
    study = study_of_groups(["*"], ["wall", "floor"])
    scene = scene_of(
        ("wall", 1.0, ("carpet", "line a", "line b")), ("wall", 1.0, ("line a",)), ("floor", 1.0, ()),
        ("line c", 1.0, (), 2, True),
    )  # fmt: skip
    assert names_of(scene, study, ["line a", "line b"]) == ["line b", "line a", "floor", "line c"]
    assert names_of(scene, study, ["line a"]) == ["line a", "floor", "line c"]
    assert names_of(scene, study) == ["wall", "floor", "line c"]


def test_lines_over_most_late_energy_per_square_metre_come_first():
    """Shares per square metre 0.01, 0.03, 0.02 over 10, 5 and 20 m2; "c" covers nothing."""
    scene = scene_of(("w", 10.0, ("a", "b")), ("w", 5.0, ("b", "d")), ("w", 20.0, ("a",)))
    origin = SimpleNamespace(density=np.array([0.01, 0.03, 0.02]))
    found = worst_places(origin, scene, ["a", "b", "c", "d"])
    # a: 0.1 + 0.4 over 30 m2 (0.0167 each), b: 0.1 + 0.15 over 15 m2 (also 0.0167), d: 0.15 over 5 m2 (0.03).
    assert found[0] == ("d", pytest.approx(0.15))
    assert dict(found) == {"a": pytest.approx(0.5), "b": pytest.approx(0.25), "d": pytest.approx(0.15)}
    heavier = SimpleNamespace(density=np.array([0.01, 0.03, 0.01]))
    assert [name for name, _ in worst_places(heavier, scene, ["a", "b", "c", "d"])] == ["d", "b", "a"]


def test_outlines_go_round_the_edge():
    """A parallelogram and a triangle with the same two edges."""
    a, u, v = (
        np.array([[1.0, 2.0, 3.0]] * 2),
        np.array([[2.0, 0.0, 0.0]] * 2),
        np.array([[0.5, 3.0, 0.0]] * 2),
    )
    surfaces = SimpleNamespace(
        origin=a, edge_u=u, edge_v=v, is_triangle=np.array([False, True]), patch=np.array([7, 4])
    )
    corners, patch = outlines(SimpleNamespace(surfaces=surfaces))
    start = [1.0, 2.0, 3.0]
    np.testing.assert_allclose(corners[0], [start, [3.0, 2.0, 3.0], [3.5, 5.0, 3.0], [1.5, 5.0, 3.0]])
    np.testing.assert_allclose(corners[1], [start, [3.0, 2.0, 3.0], [1.5, 5.0, 3.0], [1.5, 5.0, 3.0]])
    assert patch.tolist() == [7, 4]
