"""Exact division of polygons into few rectangles, parallelograms and triangles."""

from __future__ import annotations

from itertools import pairwise

import mapbox_earcut
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from .topology import shared_edges

STRAIGHT = 1e-9
"""Deviation, relative to the polygon's size, up to which an edge counts as parallel to an axis."""


def pieces(polygon: BaseGeometry) -> tuple[np.ndarray, np.ndarray]:
    """Divide one or more polygons, with or without holes, into triangles and parallelograms.

    Where all edges run along two perpendicular directions the pieces are rectangles, otherwise triangles, of which
    two are joined where they form an exact parallelogram.

    Returns
    -------
    corners : (n, 3, 2) float
        Corner, and its two neighbours.
    is_triangle : (n,) bool
    """
    corners, is_triangle = [np.empty((0, 3, 2))], [np.empty(0, bool)]
    for part in polygon_parts(polygon):
        rectangles = _rectangles(part)
        found = _paired(triangles_of(part)) if rectangles is None else (rectangles, np.zeros(len(rectangles), bool))
        corners.append(found[0])
        is_triangle.append(found[1])
    return np.concatenate(corners), np.concatenate(is_triangle)


def polygon_parts(shape: BaseGeometry) -> list[shapely.Polygon]:
    """The polygons with area in any geometry, without the lines and points that an overlay may produce."""
    parts = shapely.get_parts(shapely.get_parts(shape))
    return [part for part in parts if shapely.get_type_id(part) == 3 and part.area > 0.0]


def _rings(polygon: shapely.Polygon) -> list[np.ndarray]:
    return [np.asarray(ring.coords)[:-1] for ring in (polygon.exterior, *polygon.interiors)]


def _rectangles(polygon: shapely.Polygon) -> np.ndarray | None:
    """(n, 3, 2) rectangles, or None if the edges do not run along two perpendicular directions."""
    rings = _rings(polygon)
    edges = np.concatenate([np.roll(ring, -1, axis=0) - ring for ring in rings])
    longest = edges[np.argmax(np.hypot(*edges.T))]
    along = longest / np.hypot(*longest)
    frame = np.array([along, [-along[1], along[0]]])
    turned = [ring @ frame.T for ring in rings]
    size = np.ptp(turned[0], axis=0).max()
    steps = np.concatenate([np.roll(ring, -1, axis=0) - ring for ring in turned])
    if np.abs(steps).min(axis=1).max() > STRAIGHT * size:
        return None
    by_columns = _strips(turned, STRAIGHT * size)
    by_rows = _strips([ring[:, ::-1] for ring in turned], STRAIGHT * size)
    boxes = by_columns if len(by_columns) <= len(by_rows) else by_rows[:, [1, 0, 3, 2]]
    corners = boxes[:, [0, 1, 2, 1, 0, 3]].reshape(-1, 3, 2)
    return corners @ frame


def _strips(rings: list[np.ndarray], tolerance: float) -> np.ndarray:
    """Cut along every upright edge and join equal neighbours: (n, 4) boxes low x, low y, high x, high y."""
    points = np.concatenate(rings)
    levels = _distinct(points[:, 0], tolerance)
    starts, ends = points, np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    level_edges = np.abs(ends[:, 0] - starts[:, 0]) > tolerance
    starts, ends = starts[level_edges], ends[level_edges]
    open_boxes: dict[tuple[float, float], float] = {}
    boxes: list[tuple[float, float, float, float]] = []
    heights = _distinct(points[:, 1], tolerance)
    for left, right in pairwise(levels):
        middle = 0.5 * (left + right)
        crossing = (starts[:, 0] < middle) != (ends[:, 0] < middle)
        crossed = np.sort(0.5 * (starts[crossing, 1] + ends[crossing, 1]))
        snapped = heights[np.abs(heights[None, :] - crossed[:, None]).argmin(axis=1)]
        spans = {(float(low), float(high)) for low, high in zip(snapped[::2], snapped[1::2]) if high > low}
        for span in [span for span in open_boxes if span not in spans]:
            boxes.append((open_boxes.pop(span), span[0], float(left), span[1]))
        for span in spans:
            open_boxes.setdefault(span, float(left))
    boxes += [(start, low, float(levels[-1]), high) for (low, high), start in open_boxes.items()]
    return np.array(sorted(boxes)).reshape(-1, 4)


def _distinct(values: np.ndarray, tolerance: float) -> np.ndarray:
    ordered = np.sort(values)
    return ordered[np.concatenate([[True], np.diff(ordered) > tolerance])]


def triangles_of(polygon: shapely.Polygon) -> np.ndarray:
    """(n, 3, 2) by ear clipping."""
    rings = _rings(polygon)
    points = np.concatenate(rings)
    ends = np.cumsum([len(ring) for ring in rings]).astype(np.uint32)
    # Ear clipping loses precision far from the origin.
    index = mapbox_earcut.triangulate_float64(points - points.mean(axis=0), ends).reshape(-1, 3)
    return points[index]


def _paired(triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    size = np.ptp(triangles.reshape(-1, 2), axis=0).max()
    points, faces = np.unique(triangles.reshape(-1, 2), axis=0, return_inverse=True)
    faces = faces.reshape(-1, 3)
    corners = np.pad(points, ((0, 0), (0, 1)))
    no_preference = np.zeros(len(faces), int)
    chosen, partner = pair_to_parallelograms(corners, faces, no_preference, STRAIGHT * size)
    corners_3, is_triangle = parallelogram_corners(corners, faces, chosen, partner)
    return corners_3[..., :2], is_triangle


def pair_to_parallelograms(
    points: np.ndarray, faces: np.ndarray, preference: np.ndarray, tolerance: float
) -> tuple[np.ndarray, np.ndarray]:
    """Choose triangles that form a parallelogram with a neighbour.

    Parameters
    ----------
    points : (n, 3) float, m
    faces : (m, 3) int
        Triangles; neighbours share two indices.
    preference : (m,) int
        Triangles with equal numbers are paired first, such as those of one polygon.
    tolerance : float, m

    Returns
    -------
    chosen : (k,) int
        One triangle of each pair, and every triangle without a partner.
    partner : (k,) int
        The fourth corner of the parallelogram as a point index, -1 for a single triangle.
    """
    pairs, edges = shared_edges(faces)
    apex = faces[pairs].sum(axis=2) - edges.sum(axis=1)[:, None]
    gap = points[apex[:, 0]] + points[apex[:, 1]] - points[edges[:, 0]] - points[edges[:, 1]]
    exact = np.linalg.norm(gap, axis=1) <= tolerance
    pairs, apex = pairs[exact], apex[exact]
    same = preference[pairs[:, 0]] == preference[pairs[:, 1]]
    partner = np.full(len(faces), -1)
    taken = np.zeros(len(faces), bool)
    for i in np.argsort(~same, kind="stable"):
        one, other = pairs[i]
        if not taken[one] and not taken[other]:
            taken[one] = taken[other] = True
            partner[one] = apex[i, 1]
            partner[other] = -2
    chosen = np.flatnonzero(partner != -2)
    return chosen, partner[chosen]


def parallelogram_corners(
    points: np.ndarray, faces: np.ndarray, chosen: np.ndarray, partner: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Corners (k, 3, 3) and is_triangle (k,) of the result of `pair_to_parallelograms`.

    The first corner is the one opposite the fourth, so that both edges start from it.
    """
    corners = points[faces[chosen]]
    fourth = points[partner]
    # The corner opposite the fourth is the one for which the other two sum to fourth + corner.
    miss = np.linalg.norm(corners.sum(axis=1)[:, None] - 2.0 * corners - fourth[:, None], axis=2)
    first = np.where(partner >= 0, miss.argmin(axis=1), 0)
    turn = (first[:, None] + np.arange(3)) % 3
    return np.take_along_axis(corners, turn[..., None], axis=1), partner < 0
