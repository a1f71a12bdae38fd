"""Cutting polygons: exact areas, few pieces, no slivers."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import shapely.affinity

from roomsim.scene.patches import SLIVER_AREA, overlay
from roomsim.scene.tessellation import pair_to_parallelograms, parallelogram_corners, pieces

# Coordinates of at most 20 m with 16 digits: areas of some 100 m2 are exact to 1e-13, sums of a few to 1e-12.
ROUNDING = 1e-12


def box(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
    return shapely.box(x0, y0, x1, y1)


def outlines(polygon: shapely.geometry.base.BaseGeometry) -> list[shapely.Polygon]:
    corners, is_triangle = pieces(polygon)
    return [
        shapely.Polygon([a, b, c] if triangle else [a, b, b + c - a, c])
        for (a, b, c), triangle in zip(corners, is_triangle)
    ]


def assert_tiles(polygon: shapely.geometry.base.BaseGeometry, n: int | None = None) -> None:
    """The pieces are disjoint, lie in the polygon and fill it."""
    parts = outlines(polygon)
    assert n is None or len(parts) == n
    assert sum(part.area for part in parts) == pytest.approx(polygon.area, rel=1e-12)
    # Rounding of corners moves edges by 1e-15 of their length: differences have that times the perimeter.
    assert shapely.union_all(parts).symmetric_difference(polygon).area < 1e-12 * polygon.area


class TestPieces:
    def test_a_rectangle_stays_one_piece(self) -> None:
        assert_tiles(box(1, 2, 7, 4), 1)

    def test_a_turned_rectangle_stays_one_piece(self) -> None:
        assert_tiles(shapely.affinity.rotate(box(1, 2, 7, 4), 33.3), 1)

    def test_corner_in_an_edge_does_not_matter(self) -> None:
        assert_tiles(shapely.Polygon([(0, 0), (1, 0), (4, 0), (4, 3), (0, 3), (0, 1.5)]), 1)

    def test_an_l_is_two_rectangles(self) -> None:
        assert_tiles(shapely.Polygon([(0, 0), (6, 0), (6, 2), (3, 2), (3, 5), (0, 5)]), 2)

    def test_a_wall_round_a_door_is_three_rectangles(self) -> None:
        assert_tiles(box(0, 0, 10, 4) - box(3, 0, 4, 2), 3)

    def test_a_wall_round_a_window_is_four_rectangles(self) -> None:
        assert_tiles(box(0, 0, 10, 4) - box(3, 1, 4, 2), 4)

    def test_holes_that_touch_at_a_corner(self) -> None:
        assert_tiles(box(0, 0, 9, 9) - box(2, 2, 4, 4) - box(4, 4, 6, 6))

    def test_two_separate_parts(self) -> None:
        assert_tiles(shapely.MultiPolygon([box(0, 0, 1, 1), box(3, 0, 4, 2)]), 2)

    def test_a_gable_becomes_triangles_and_parallelograms(self) -> None:
        assert_tiles(shapely.Polygon([(0, 0), (8, 0), (8, 3), (4, 5), (0, 3)]))

    def test_a_slanted_parallelogram_is_one_piece(self) -> None:
        assert_tiles(shapely.Polygon([(0, 0), (5, 1), (7, 4), (2, 3)]), 1)

    def test_a_ring_with_many_holes(self) -> None:
        plate = shapely.Point(0, 0).buffer(8.0)
        for angle in np.arange(0, 2 * np.pi, 0.7):
            plate -= shapely.Point(5 * np.cos(angle), 5 * np.sin(angle)).buffer(0.6, quad_segs=3)
        assert_tiles(plate)

    def test_far_from_the_origin(self) -> None:
        # 1e4 m off, coordinates have 2e-12 m of rounding; the rectangle must still be seen as one.
        corners, is_triangle = pieces(shapely.affinity.rotate(box(10_000, 10_000, 10_012, 10_007), 20.0))
        assert len(corners) == 1 and not is_triangle[0]

    def test_nothing_gives_nothing(self) -> None:
        corners, is_triangle = pieces(shapely.Polygon())
        assert corners.shape == (0, 3, 2) and is_triangle.shape == (0,)


class TestPairs:
    points = np.array([[0, 0, 0], [2, 0, 0], [3, 1, 0.5], [1, 1, 0.5], [4.5, 1, 0.5]], float)

    def test_two_triangles_of_a_parallelogram_become_one(self) -> None:
        faces = np.array([[0, 1, 2], [0, 2, 3]])
        kept, partner = pair_to_parallelograms(self.points, faces, np.zeros(2, int), 1e-9)
        corners, is_triangle = parallelogram_corners(self.points, faces, kept, partner)
        assert len(kept) == 1 and not is_triangle[0]
        a, b, c = corners[0]
        found = {tuple(point) for point in (a, b, c, b + c - a)}
        assert found == {tuple(point) for point in self.points[:4]}

    def test_a_trapezium_stays_two_triangles(self) -> None:
        faces = np.array([[0, 1, 2], [0, 2, 3]])
        moved = self.points.copy()
        moved[3, 0] += 1e-3
        kept, partner = pair_to_parallelograms(moved, faces, np.zeros(2, int), 1e-4)
        assert len(kept) == 2 and (partner == -1).all()

    def test_a_triangle_is_used_once(self) -> None:
        # Three triangles in a strip: the middle one would make a parallelogram with either neighbour.
        points = np.array([[0, 0, 0], [1, 0, 0], [0.5, 1, 0], [1.5, 1, 0], [2, 0, 0]], float)
        faces = np.array([[0, 1, 2], [1, 3, 2], [1, 4, 3]])
        kept, partner = pair_to_parallelograms(points, faces, np.array([0, 1, 1]), 1e-9)
        assert len(kept) == 2 and sorted(partner >= 0) == [False, True]
        # Triangles 1 and 2 come from one polygon and go together.
        assert partner[list(kept).index(0)] == -1


class TestOverlay:
    def test_later_layers_come_on_top(self) -> None:
        found = overlay(box(0, 0, 10, 4), [("a", box(1, 0, 5, 4)), ("b", box(4, 1, 8, 3))])
        areas = {covers: shape.area for covers, shape in found.items()}
        expected = {(): 40 - 16 - 8 + 2, ("a",): 16 - 2, ("a", "b"): 2, ("b",): 8 - 2}
        assert areas == pytest.approx(expected, abs=ROUNDING)

    def test_a_layer_without_shape_covers_everything(self) -> None:
        found = overlay(box(0, 0, 4, 4), [("all", None), ("part", box(0, 0, 1, 4))])
        assert {covers: shape.area for covers, shape in found.items()} == pytest.approx(
            {("all",): 12.0, ("all", "part"): 4.0}, abs=ROUNDING
        )

    def test_one_layer_in_two_pieces_covers_once(self) -> None:
        found = overlay(box(0, 0, 4, 4), [("a", box(0, 0, 2, 4)), ("a", box(1, 0, 3, 4))])
        assert {covers: shape.area for covers, shape in found.items()} == pytest.approx(
            {(): 4.0, ("a",): 12.0}, abs=ROUNDING
        )

    def test_a_layer_beside_the_surface_changes_nothing(self) -> None:
        assert list(overlay(box(0, 0, 4, 4), [("a", box(5, 0, 6, 4))])) == [()]

    @pytest.mark.parametrize("width", [1e-12, 1e-9, 1e-5, 9e-4])
    def test_a_strip_too_narrow_joins_its_neighbour(self, width: float) -> None:
        found = overlay(box(0, 0, 4, 4), [("a", box(0, 0, 4 - width, 4))])
        assert list(found) == [("a",)]
        assert found["a",].area == pytest.approx(16.0, abs=ROUNDING)

    def test_a_piece_too_small_joins_the_neighbour_with_the_longer_common_edge(self) -> None:
        # A 9 mm square in the corner where a and b meet nothing: it touches a along two of its edges.
        speck = box(2 - 0.009, 0, 2, 0.009)
        a = box(0, 0, 2, 2) - speck
        found = overlay(box(0, 0, 4, 2), [("a", a), ("b", box(2, 0, 4, 2))])
        assert set(found) == {("a",), ("b",)}
        assert found["a",].area == pytest.approx(4.0, abs=ROUNDING)

    def test_a_piece_just_large_enough_stays(self) -> None:
        side = 1.01 * np.sqrt(SLIVER_AREA)
        found = overlay(box(0, 0, 4, 4), [("a", box(1, 1, 1 + side, 1 + side))])
        assert found["a",].area == pytest.approx(side**2, abs=ROUNDING)

    def test_a_concave_floor_with_columns(self) -> None:
        # An L of 12 x 8 less 5 x 3, columns of 1 m2 and 0.5 m2; carpet over the inner corner and a column.
        floor = box(0, 0, 12, 8) - box(7, 5, 12, 8) - box(2, 2, 3, 3) - box(5, 5, 6, 5.5)
        found = overlay(floor, [("carpet", box(4, 4, 9, 7)), ("crowd", box(1, 1, 6, 6))])
        areas = {covers: shape.area for covers, shape in found.items()}
        # Carpet 15 less 2 x 2 in the notch less 0.5; crowd 25 less 1 and 0.5; both: 4 less 0.5.
        expected = {("carpet", "crowd"): 3.5, ("carpet",): 10.5 - 3.5, ("crowd",): 23.5 - 3.5}
        expected[()] = 96 - 15 - 1.5 - sum(expected.values())
        assert areas == pytest.approx(expected, abs=ROUNDING)
        for shape in found.values():
            assert_tiles(shape)
