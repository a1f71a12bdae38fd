"""Flat regions of a mesh, and that cutting them opens no cracks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import venues

from roomsim.scene.compile import compile_scene
from roomsim.scene.surfaces import flat_regions, plane_through
from roomsim.venue.mesh import VenueMesh
from roomsim.venue.reading import read_study

SEATS = venues.rectangle_area("seats", (2, 1, 8, 5), (3, 2))


def mesh_of(folder: Path, shell: venues.Shell) -> VenueMesh:
    study = read_study(venues.write_venue(folder, shell, audience=[SEATS], scenarios=[{"name": "a"}]))
    return study.mesh


def folded_box(rise: float) -> venues.Shell:
    """10 x 6 x 4 m with a roof of two halves that meet in a ridge at y = 3, `rise` above the eaves."""
    vertices = [(x, y, z) for x in (0.0, 10.0) for y, z in ((0, 0), (6, 0), (6, 4), (3, 4 + rise), (0, 4))]
    a0, b0, c0, r0, d0, a1, b1, c1, r1, d1 = range(10)
    return venues.Shell(
        np.array(vertices, float),
        {
            "floor": ((a0, a1, b1, b0),),
            "roof": ((r0, r1, d1, d0), (c0, c1, r1, r0)),
            "wall_south": ((a0, d0, d1, a1),),
            "wall_north": ((b0, b1, c1, c0),),
            "wall_west": ((a0, b0, c0, r0, d0),),
            "wall_east": ((a1, d1, r1, c1, b1),),
        },
    )


@pytest.mark.parametrize(
    ("normal", "first"),
    [((0, 0, 2), (1, 0, 0)), ((0, 0, -1), (1, 0, 0)), ((1, 0, 0), (0, 1, 0)), ((0, -3, 0), (1, 0, 0))],
)
def test_axes_of_a_plane_are_orthonormal_and_the_first_is_level(normal: tuple, first: tuple) -> None:
    plane = plane_through(np.array([1.0, 2.0, 3.0]), np.array(normal))
    assert plane.axes[0] == pytest.approx(first)
    frame = np.array([*plane.axes, plane.normal])
    assert frame @ frame.T == pytest.approx(np.eye(3)) and np.linalg.det(frame) == pytest.approx(1.0)
    points = np.random.default_rng(1).normal(size=(5, 3))
    feet = plane.lift(plane.flatten(points))
    assert feet + plane.distance(points)[:, None] * plane.normal == pytest.approx(points)


@pytest.mark.parametrize("tilt", [1e-9, 1e-7, 1e-5, 0.3])
def test_axes_stay_orthonormal_however_little_the_plane_is_tilted(tilt: float) -> None:
    plane = plane_through(np.zeros(3), np.array([tilt, -0.7 * tilt, 1.0]))
    frame = np.array([*plane.axes, plane.normal])
    assert frame @ frame.T == pytest.approx(np.eye(3), abs=1e-12)


def test_a_box_has_six_regions_with_their_areas(tmp_path: Path) -> None:
    regions = flat_regions(mesh_of(tmp_path, venues.shoebox((10, 6, 4))))
    assert sorted(region.polygon.area for region in regions) == pytest.approx([24, 24, 40, 40, 60, 60])


@pytest.mark.parametrize(
    ("rise", "n_roofs"),
    # 1 um over 3 m is rounding; 0.1 mm and 2 mm are but 0.004 and 0.08 degrees, and out of plane.
    [(0.0, 1), (1e-6, 1), (1e-4, 2), (2e-3, 2), (0.1, 2)],
)
def test_halves_of_a_roof_join_only_when_flat(tmp_path: Path, rise: float, n_roofs: int) -> None:
    mesh = mesh_of(tmp_path, folded_box(rise))
    roof = mesh.group_names.index("roof")
    assert sum(region.group == roof for region in flat_regions(mesh)) == n_roofs


def test_a_gently_curved_roof_is_not_taken_for_flat(tmp_path: Path) -> None:
    # Twenty strips 0.5 m wide, each 0.0008 degrees from the next, so 7 um off its plane: neighbours look
    # flat, but the last strip lies 10^2 / 2 x 1.4e-5 / 0.5 m = 1.4 mm off the plane of the first.
    n = 20
    slope = np.radians(0.0008 * np.arange(n))
    y = np.concatenate([[0.0], np.cumsum(0.5 * np.cos(slope))])
    z = np.concatenate([[0.0], np.cumsum(0.5 * np.sin(slope))])
    vertices = np.array([(x, b, c) for b, c in zip(y, z) for x in (0.0, 10.0)])
    strips = tuple((2 * i, 2 * i + 1, 2 * i + 3, 2 * i + 2) for i in range(n))
    regions = flat_regions(mesh_of(tmp_path, venues.Shell(vertices, {"roof": strips})))
    assert len(regions) == 2 * n
    for region in regions:
        assert np.abs(region.plane.distance(region.corners.reshape(-1, 3))).max() < 1e-9


def test_a_face_drawn_twice_counts_once(tmp_path: Path) -> None:
    box = venues.shoebox((10, 6, 4))
    double = venues.Shell(box.vertices, {**box.polygons, "copy": box.polygons["wall_east"]})
    mesh = mesh_of(tmp_path, double)
    assert "copy" not in {mesh.group_names[region.group] for region in flat_regions(mesh)}


def test_cutting_a_wall_that_is_not_quite_flat_opens_no_crack(tmp_path: Path) -> None:
    # The east wall in two halves that meet at y = 3, 0.4 mm outside; the drape runs across the bend.
    vertices = [(x, y, z) for x in (0.0, 10.0) for y, z in ((0, 0), (6, 0), (6, 4), (0, 4))]
    vertices += [(10.0004, 3.0, 0.0), (10.0004, 3.0, 4.0)]
    shell = venues.Shell(
        np.array(vertices),
        {
            "floor": ((0, 4, 8, 5, 1),),
            "ceiling": ((3, 2, 6, 9, 7),),
            "wall_south": ((0, 3, 7, 4),),
            "wall_north": ((1, 5, 6, 2),),
            "wall_west": ((0, 1, 2, 3),),
            "wall_east": ((4, 7, 9, 8), (8, 9, 6, 5)),
        },
    )
    hung = {"name": "D", "runs": [[[9.85, 1.0], [9.85, 5.0]]], "top": 3.0, "drop": 2.0, "fabric": "test_wool"}
    study = read_study(
        venues.write_venue(
            tmp_path,
            shell,
            audience=[SEATS],
            elements={"drape": [hung | {"stand_off": 0.15}]},
            scenarios=[{"name": "a", "elements": ["D"]}],
        )
    )
    scene = compile_scene(study)
    s = scene.surfaces
    fourth = s.origin + s.edge_u + s.edge_v
    corners = np.concatenate([s.origin, s.origin + s.edge_u, s.origin + s.edge_v, fourth[~s.is_triangle]])
    on_east = corners[corners[:, 0] > 9.9]
    assert {round(y, 6) for y in on_east[:, 1]} == {0.0, 1.0, 3.0, 5.0, 6.0}
    # Every corner lies on the wall as it was drawn, written with 9 digits.
    drawn = 10.0 + np.interp(on_east[:, 1], [0.0, 3.0, 6.0], [0.0, 0.0004, 0.0])
    assert np.abs(on_east[:, 0] - drawn).max() < 1e-7
    draped = next(patch for patch in scene.patches if patch.covers)
    # 4 x 2 m on a wall bent by 0.4 mm in 3 m: longer by 1e-8.
    assert draped.area == pytest.approx(8.0, rel=1e-6)
