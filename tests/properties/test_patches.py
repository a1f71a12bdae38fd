"""Whatever is cut: no area is lost, no place comes twice, and turning the plan changes nothing."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from roomsim.scene.patches import SLIVER_AREA, SLIVER_WIDTH, overlay
from roomsim.scene.tessellation import pieces, polygon_parts

lengths = st.floats(0.05, 30.0)
places = st.floats(-20.0, 20.0)
# Grid points make edges coincide, which is where overlays go wrong.
grid = st.integers(-20, 20).map(lambda i: 0.5 * i)


@st.composite
def rectangles(draw: st.DrawFn) -> shapely.Polygon:
    x, y = draw(st.one_of(places, grid)), draw(st.one_of(places, grid))
    width, height = draw(st.one_of(lengths, grid.filter(lambda v: v > 0))), draw(lengths)
    shape = shapely.box(x, y, x + width, y + height)
    return shapely.affinity.rotate(shape, draw(st.sampled_from([0.0, 0.0, 0.0, 90.0, 30.0, 7.3])))


@st.composite
def stars(draw: st.DrawFn) -> shapely.Polygon:
    """Concave polygons without crossing edges."""
    radii = draw(st.lists(st.floats(0.5, 20.0), min_size=3, max_size=12))
    angles = 2 * np.pi * np.arange(len(radii)) / len(radii)
    return shapely.Polygon(np.stack([radii * np.cos(angles), radii * np.sin(angles)], axis=1))


@st.composite
def surfaces(draw: st.DrawFn) -> shapely.geometry.base.BaseGeometry:
    """A polygon with holes, large enough not to be a sliver itself."""
    shape = draw(st.one_of(rectangles(), stars()))
    for hole in draw(st.lists(rectangles(), max_size=3)):
        smaller = shape.difference(hole)
        if smaller.area > 0.1:
            shape = smaller
    return shapely.union_all(polygon_parts(shape))


layers = st.lists(st.tuples(st.sampled_from("abcd"), rectangles() | stars()), max_size=5)


@given(surfaces(), layers)
@settings(max_examples=150)
def test_overlay_conserves_area_and_cuts_disjoint_pieces(
    base: shapely.geometry.base.BaseGeometry, on_it: list[tuple[str, shapely.Polygon]]
) -> None:
    found = overlay(base, on_it)
    # Cutting moves points by some 1e-15 of their coordinates (40 m at most), along edges of some 100 m.
    assert sum(shape.area for shape in found.values()) == pytest.approx(base.area, rel=1e-9)
    shapes = list(found.values())
    for i, one in enumerate(shapes):
        for other in shapes[i + 1 :]:
            assert one.intersection(other).area < 1e-9 * base.area


@given(surfaces(), layers)
@settings(max_examples=100)
def test_each_piece_has_the_covers_that_lie_on_it(
    base: shapely.geometry.base.BaseGeometry, on_it: list[tuple[str, shapely.Polygon]]
) -> None:
    found = overlay(base, on_it)
    for covers, shape in found.items():
        # A point well inside a piece: slivers that it took over lie at its edges.
        inner = shape.buffer(-10.0 * SLIVER_WIDTH)
        if inner.area < 100.0 * SLIVER_AREA:
            continue
        point = inner.representative_point()
        expected = dict.fromkeys(name for name, layer in on_it if layer.contains(point))
        if any(layer.boundary.distance(point) < SLIVER_WIDTH for _, layer in on_it):
            continue
        assert covers == tuple(expected)


@given(surfaces())
@settings(max_examples=150)
def test_pieces_fill_the_polygon(base: shapely.geometry.base.BaseGeometry) -> None:
    corners, is_triangle = pieces(base)
    edge_u, edge_v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = np.abs(edge_u[:, 0] * edge_v[:, 1] - edge_u[:, 1] * edge_v[:, 0]) * np.where(is_triangle, 0.5, 1.0)
    assert area.sum() == pytest.approx(base.area, rel=1e-9)
    # All corners lie in the polygon or on its edge: with the right total area no piece can lie outside.
    fourth = corners[:, 1] + corners[:, 2] - corners[:, 0]
    points = np.concatenate([corners.reshape(-1, 2), fourth[~is_triangle]])
    assert shapely.distance(shapely.points(points), base).max() < 1e-9


@given(surfaces(), layers, st.floats(0.0, 360.0), places, places)
@settings(max_examples=60)
def test_turning_and_shifting_changes_no_area(
    base: shapely.geometry.base.BaseGeometry,
    on_it: list[tuple[str, shapely.Polygon]],
    angle: float,
    x: float,
    y: float,
) -> None:
    def moved(shape: shapely.geometry.base.BaseGeometry) -> shapely.geometry.base.BaseGeometry:
        return shapely.affinity.translate(shapely.affinity.rotate(shape, angle, origin=(0, 0)), x, y)

    before = {covers: shape.area for covers, shape in overlay(base, on_it).items()}
    after = overlay(moved(base), [(name, moved(shape)) for name, shape in on_it])
    # Rounding may turn a piece at the limit into a sliver or back: a limit's worth per layer boundary.
    limit = 10.0 * (SLIVER_AREA + SLIVER_WIDTH * 60.0)
    for covers in {*before, *after}:
        new = after[covers].area if covers in after else 0.0
        assert new == pytest.approx(before.get(covers, 0.0), abs=limit)
