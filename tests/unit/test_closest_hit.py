"""Closest hits: the vector form and the plain loops against brute force in double precision."""

from __future__ import annotations

import importlib.util
import sys

import numpy as np
import pytest
from reference.brute_force import closest_hits as brute_force
from scenes import box_parallelograms

from roomsim import _jit, tracing
from roomsim.scene.scene import SurfaceArrays
from roomsim.tracing import _closest, _plain, _wide
from roomsim.tracing.geometry import pack_geometry


def _plain_form():
    """The module of the closest hit once more, with plain loops in place of vector instructions."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delattr(tracing, "_wide")
        patch.setitem(sys.modules, "roomsim.tracing._wide", None)
        # On disk the code of the two forms would be mistaken for each other.
        for options in (_jit.KERNEL_OPTIONS, _jit.UNCOUNTED_OPTIONS):
            patch.setitem(options, "cache", False)
        spec = importlib.util.spec_from_file_location("roomsim.tracing._closest_plain", _closest.__file__)
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    return module


FORMS = {"vectors": _closest, "loops": _plain_form()}


def surfaces_of(origin, edge_u, edge_v, is_triangle=None):
    n = len(origin)
    return SurfaceArrays(
        np.asarray(origin, float), np.asarray(edge_u, float), np.asarray(edge_v, float),
        np.zeros(n, bool) if is_triangle is None else is_triangle,
        np.zeros(n, np.int32), np.full(n, -1, np.int32),
    )  # fmt: skip


def cluttered_hall(n_boxes, seed=1):
    """A hall 40 x 25 x 9 m with boxes and loose triangles in it."""
    rng = np.random.default_rng(seed)
    parts = [box_parallelograms((40, 25, 9))]
    for _ in range(n_boxes):
        size = rng.uniform(0.05, 2.0, 3)
        parts.append(box_parallelograms(size, rng.uniform(0.5, 1.0, 3) * ((40, 25, 9) - size - 1)))
    origin, u, v = (np.concatenate(p) for p in zip(*parts))
    n_triangles = 2 * n_boxes
    corner = rng.uniform(1, 8, (n_triangles, 3)) * (4, 2.5, 1)
    edges = rng.normal(0, 1.0, (2, n_triangles, 3))
    flag = np.concatenate([np.zeros(len(origin), bool), np.ones(n_triangles, bool)])
    return surfaces_of(
        np.concatenate([origin, corner]), np.concatenate([u, edges[0]]), np.concatenate([v, edges[1]]), flag
    )


def random_rays(n, seed=2):
    rng = np.random.default_rng(seed)
    origins = (rng.uniform(0.5, 8.5, (n, 3)) * (4.5, 2.8, 1)).astype(np.float32)
    directions = rng.normal(size=(n, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    return origins, directions.astype(np.float32), np.full(n, -1, np.int32)


def run(form, surfaces, origins, directions, skip):
    return FORMS[form].find_hits(origins, directions, pack_geometry(surfaces), skip)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("n_boxes", [0, 1, 3, 40, 300])
def test_agrees_with_brute_force(form, n_boxes):
    surfaces = cluttered_hall(n_boxes)
    origins, directions, skip = random_rays(4000)
    distance, primitive = run(form, surfaces, origins, directions, skip)
    expected, which = brute_force(
        origins.astype(float), directions.astype(float), skip,
        surfaces.origin, surfaces.edge_u, surfaces.edge_v, surfaces.is_triangle,
    )  # fmt: skip
    # 1 mm: single precision at 50 m is 4 um, times the slope of grazing hits up to 1 : 250.
    same = np.abs(distance - expected) <= 1e-3
    # Rays within 20 um of an edge may take either side of it: primitives are enlarged by that much. Of 4,000 rays
    # over edges of some 600 m in all, a share of 1e-4 is expected at most.
    assert np.count_nonzero(~same) <= 3
    assert (primitive[same] == which[same]).mean() > 0.999  # edges shared by two primitives


@pytest.mark.parametrize("form", FORMS)
def test_control_a_displaced_wall_is_noticed(form):
    surfaces = cluttered_hall(3)
    origins, directions, skip = random_rays(500)
    distance, _ = run(form, surfaces, origins, directions, skip)
    moved = surfaces.origin.copy()
    moved[0, 0] += 0.01  # the west wall, 1 cm
    expected, which = brute_force(
        origins.astype(float),
        directions.astype(float),
        skip,
        moved,
        surfaces.edge_u,
        surfaces.edge_v,
        surfaces.is_triangle,
    )
    assert (np.abs(distance - expected)[which == 0] > 1e-3).all()


@pytest.mark.parametrize("form", FORMS)
def test_rays_along_the_axes_and_through_edges_and_corners(form):
    directions = np.array(
        [[a, b, c] for a in (-1, 0, 1) for b in (-1, 0, 1) for c in (-1, 0, 1) if a or b or c], float
    )
    length = np.linalg.norm(directions, axis=1)
    directions = (directions / length[:, None]).astype(np.float32)
    origins = np.full_like(directions, 2.0)
    # Whole faces are in the first pack, faces in four parts in the tree.
    for parts in (1, 2):
        surfaces = surfaces_of(*box_in_parts(parts))
        distance, primitive = run(form, surfaces, origins, directions, np.full(len(directions), -1, np.int32))
        assert (primitive >= 0).all()
        np.testing.assert_allclose(
            distance, 2 * length, rtol=1e-6
        )  # to face, edge or corner; ulp of single precision


def box_in_parts(parts):
    """Origins and edges of the faces of a cube of 4 m, each cut into `parts` squared; sizes are exact in binary."""
    origin, u, v = box_parallelograms((4, 4, 4))
    steps = [(i / parts, j / parts) for i in range(parts) for j in range(parts)]
    cut = np.concatenate([origin + i * u + j * v for i, j in steps])
    return cut, np.tile(u / parts, (parts**2, 1)), np.tile(v / parts, (parts**2, 1))


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("last_first", [False, True])
def test_of_hits_at_equal_distance_the_lower_number_counts(form, last_first):
    # Each ray ends on the line between two parts of a face: paths must not depend on where in the tree they stand.
    parts = box_in_parts(4)
    surfaces = surfaces_of(*(p[::-1] for p in parts) if last_first else parts)
    near_side = surfaces.origin + 0.5 * surfaces.edge_u
    far_side = near_side + surfaces.edge_v
    within_face = np.isin(near_side, (0.0, 4.0)).sum(axis=1) == 1
    ends = near_side[within_face]
    directions = ((ends - 2.0) / np.linalg.norm(ends - 2.0, axis=1)[:, None]).astype(np.float32)
    _, primitive = run(
        form, surfaces, np.full_like(directions, 2.0), directions, np.full(len(ends), -1, np.int32)
    )
    lowest = [np.flatnonzero((near_side == p).all(axis=1) | (far_side == p).all(axis=1))[0] for p in ends]
    assert len(ends) == 6 * 12 and primitive.tolist() == lowest


@pytest.mark.parametrize("form", FORMS)
def test_a_ray_does_not_hit_the_primitive_it_starts_on_nor_pass_a_thin_sheet(form):
    # Two sheets 1 mm apart inside a box: from one, the next hit is the other, never itself and never behind it.
    origin, u, v = box_parallelograms((10, 10, 10))
    sheet_u, sheet_v = np.array([0, 8.0, 0]), np.array([0, 0, 8.0])
    surfaces = surfaces_of(
        np.concatenate([origin, [[5, 1, 1], [5.001, 1, 1]]]),
        np.concatenate([u, [sheet_u, sheet_u]]), np.concatenate([v, [sheet_v, sheet_v]]),
    )  # fmt: skip
    start = np.array([[5, 4, 4]], np.float32)
    for towards, expected in ((1.0, 7), (-1.0, 0)):
        direction = np.array([[towards, 0, 0]], np.float32)
        _, primitive = run(form, surfaces, start, direction, np.array([6], np.int32))
        assert primitive[0] == expected


@pytest.mark.parametrize("form", FORMS)
def test_grazing_rays_in_the_plane_of_a_primitive_pass_it(form):
    origin, u, v = box_parallelograms((10, 10, 10))
    surfaces = surfaces_of(
        np.concatenate([origin, [[5, 4, 4]]]),
        np.concatenate([u, [[0, 2, 0]]]),
        np.concatenate([v, [[0, 0, 2]]]),
    )
    distance, primitive = run(
        form,
        surfaces,
        np.array([[5, 1, 5]], np.float32),
        np.array([[0, 1, 0]], np.float32),
        np.array([-1], np.int32),
    )
    assert primitive[0] == 3 and distance[0] == pytest.approx(9.0, rel=1e-6)


@pytest.mark.parametrize("form", FORMS)
def test_a_miss_is_a_miss(form):
    surfaces = surfaces_of([[0, 0, 0]], [[1, 0, 0]], [[0, 1, 0]])
    origins = np.array([[0.5, 0.5, 1.0], [0.5, 0.5, 1.0], [2.0, 2.0, 1.0]], np.float32)
    directions = np.array([[0, 0, 1], [0, 0, -1], [0, 0, -1]], np.float32)
    _, primitive = run(form, surfaces, origins, directions, np.full(3, -1, np.int32))
    assert primitive.tolist() == [-1, 0, -1]


def test_triangle_and_parallelogram_limits():
    # The far half of a parallelogram is no part of the triangle with the same edges.
    both = [[0, 0, 0]], [[2, 0, 0]], [[0, 2, 0]]
    above = np.array([[1.5, 1.5, 1.0], [0.4, 0.4, 1.0]], np.float32)
    down = np.tile(np.array([[0, 0, -1]], np.float32), (2, 1))
    for flag, expected in ((True, [-1, 0]), (False, [0, 0])):
        for form in FORMS:
            _, primitive = run(
                form, surfaces_of(*both, np.array([flag])), above, down, np.full(2, -1, np.int32)
            )
            assert primitive.tolist() == expected


def test_the_fast_form_is_the_one_in_use():
    assert FORMS["vectors"].hit_primitives is _wide.hit_primitives
    assert FORMS["loops"].hit_primitives is _plain.hit_primitives
