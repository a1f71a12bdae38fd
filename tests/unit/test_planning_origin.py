"""What surfaces are called in the origin of late energy, and where another line of cloth would cover most of it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from roomsim.planning.late_energy import outlines, surface_names, worst_places


def scene_of(*patches):
    """Each patch by its group, area, what covers it, and whether it is a free sheet."""
    names = ("group", "area", "covers", "is_sheet")
    return SimpleNamespace(
        patches=[SimpleNamespace(**dict(zip(names, (*patch, False)))) for patch in patches]
    )


def study_of_groups(surfaces, groups):
    mesh = SimpleNamespace(group_names=tuple(groups), group_labels=tuple(groups))
    return SimpleNamespace(mesh=mesh, venue=SimpleNamespace(surfaces=dict.fromkeys(surfaces, "wood")))


@pytest.mark.parametrize("reverse", [False, True])
def test_surfaces_are_called_as_the_venue_file_names_them(reverse):
    """By an exact name as it stands, otherwise by the longest pattern without its wildcards."""
    surfaces = ["roof_deck", "wall_*", "wall_east", "w*", "floor_?", "*_panel"]
    groups = ["wall_north", "wall_east", "roof_deck", "floor_1", "window", "north_panel"]
    study = study_of_groups(surfaces[::-1] if reverse else surfaces, groups)
    found = surface_names(scene_of(*((group, 1.0, ()) for group in groups)), study, set())
    assert found == ["wall", "wall east", "roof deck", "floor", "w", "panel"]


def test_a_surface_that_only_a_bare_wildcard_names_is_called_by_its_group():
    study = study_of_groups(["*"], ["wall_north", "roof_deck"])
    scene = scene_of(("wall_north", 1.0, ()), ("roof_deck", 1.0, ()))
    assert surface_names(scene, study, set()) == ["wall north", "roof deck"]


def test_a_patch_is_called_by_what_covers_it_if_that_hangs():
    study = study_of_groups(["*"], ["wall", "floor"])
    scene = scene_of(
        ("wall", 1.0, ("carpet", "line a", "line b")), ("wall", 1.0, ("line a",)), ("floor", 1.0, ()),
        ("line c", 1.0, (), True),
    )  # fmt: skip
    assert surface_names(scene, study, {"line a", "line b"}) == ["line b", "line a", "floor", "line c"]
    assert surface_names(scene, study, {"line a"}) == ["line a", "line a", "floor", "line c"]
    assert surface_names(scene, study, set()) == ["wall", "wall", "floor", "line c"]


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
