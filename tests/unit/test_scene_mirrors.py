"""Which planes become mirrors for image sources."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.scene.mirrors import MAX_MIRRORS, choose_mirrors
from roomsim.scene.patches import Primitives


def primitives(*corners: list, triangles: tuple[int, ...] = ()) -> Primitives:
    is_triangle = np.zeros(len(corners), bool)
    is_triangle[list(triangles)] = True
    return Primitives(np.array(corners, float), is_triangle, np.arange(len(corners), dtype=np.int32))


def upright(x: float, y0: float, y1: float, height: float) -> list:
    """A rectangle in the plane of constant x."""
    return [[x, y0, 0.0], [x, y1, 0.0], [x, y0, height]]


def test_largest_plane_comes_first_and_equations_hold() -> None:
    found = primitives(upright(0.0, 0, 4, 2), upright(5.0, 0, 10, 2), [[0, 0, 0], [3, 0, 0], [0, 0, 1]])
    mirror, planes = choose_mirrors(found)
    assert list(mirror) == [1, 0, 2]
    for i, corners in enumerate(found.corners):
        assert corners @ planes[mirror[i], :3] + planes[mirror[i], 3] == pytest.approx(0.0, abs=1e-12)


def test_primitives_of_one_plane_share_a_mirror_whichever_way_they_face() -> None:
    one, other = upright(3.0, 0, 4, 2), upright(3.0, 6, 8, 2)
    other[1], other[2] = other[2], other[1]
    mirror, planes = choose_mirrors(primitives(one, other))
    assert list(mirror) == [0, 0] and len(planes) == 1


def test_small_pieces_of_one_plane_count_together() -> None:
    pieces = [upright(1.0, i, i + 0.5, 1.0) for i in range(5)]
    assert (choose_mirrors(primitives(*pieces))[0] == 0).all()  # 2.5 m2
    assert (choose_mirrors(primitives(*pieces[:3]))[0] == -1).all()  # 1.5 m2


def test_a_triangle_counts_half_its_parallelogram() -> None:
    assert choose_mirrors(primitives(upright(1.0, 0, 3, 1), triangles=(0,)))[0][0] == -1
    assert choose_mirrors(primitives(upright(1.0, 0, 3, 1)))[0][0] == 0


@pytest.mark.parametrize(("apart", "planes"), [(0.0009, 1), (0.0011, 2)])
def test_planes_a_millimetre_apart_are_two(apart: float, planes: int) -> None:
    assert len(choose_mirrors(primitives(upright(1.0, 0, 4, 2), upright(1.0 + apart, 5, 9, 2)))[1]) == planes


def test_a_long_plane_turned_a_little_is_another() -> None:
    # 0.05 degrees, within the tolerance of direction, but 9 mm off at the end of 10 m.
    turned = [[1.0, 0.0, 0.0], [1.0 + 10.0 * np.tan(np.radians(0.05)), 10.0, 0.0], [1.0, 0.0, 2.0]]
    assert len(choose_mirrors(primitives(upright(1.0, 0, 10, 3), turned))[1]) == 2


def test_the_fourth_corner_of_a_parallelogram_counts() -> None:
    """Three corners 0, 0.9 and 0.2 mm off a plane, the fourth 1.1 mm: it is a plane of its own, as a triangle it is
    not."""
    off = [[1.0, 5.0, 0.0], [1.0009, 9.0, 0.0], [1.0002, 5.0, 2.0]]
    for triangles, planes in (((), 2), ((1,), 1)):
        assert len(choose_mirrors(primitives(upright(1.0, 0, 4, 3), off, triangles=triangles))[1]) == planes


def test_only_the_largest_planes_are_kept() -> None:
    sizes = np.random.default_rng(2).permutation(np.arange(MAX_MIRRORS + 10))
    found = primitives(*(upright(float(i), 0, 3 + size, 1.0) for i, size in enumerate(sizes)))
    mirror, planes = choose_mirrors(found)
    assert len(planes) == MAX_MIRRORS
    assert (np.sort(sizes[mirror < 0]) == np.arange(10)).all()
    chosen = mirror >= 0
    assert (sizes[chosen][np.argsort(mirror[chosen])] == np.sort(sizes)[::-1][:MAX_MIRRORS]).all()
