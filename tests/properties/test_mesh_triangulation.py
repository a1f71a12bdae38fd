"""Triangles make up their polygon: area, outline and side, for any polygon, first corner and pose."""

from __future__ import annotations

from collections import Counter

import numpy as np
import shapely
import trimesh
from hypothesis import example, given
from hypothesis import strategies as st

from roomsim.venue.polygons import triangulate


@st.composite
def outlines(draw: st.DrawFn) -> np.ndarray:
    """(n, 2) corners in order of a polygon round the origin, concave as a rule, up to 300 m across, some with
    further corners on their straight edges."""
    n = draw(st.integers(4, 14))
    scale = draw(st.floats(0.5, 150.0))
    radius = np.array(draw(st.lists(st.floats(0.1, 1.0), min_size=n, max_size=n)))
    angle = (
        2
        * np.pi
        * (np.arange(n) + 0.3 * np.array(draw(st.lists(st.floats(0, 1), min_size=n, max_size=n))))
        / n
    )
    corners = scale * (radius * np.array([np.cos(angle), np.sin(angle)])).T
    for edge in draw(st.lists(st.integers(0, n - 1), max_size=3)):
        i = edge % len(corners)
        middle = 0.5 * (corners[i] + corners[(i + 1) % len(corners)])
        corners = np.insert(corners, i + 1, middle, axis=0)
    return corners


def posed(corners: np.ndarray, axis: tuple[float, float, float], turn: float) -> np.ndarray:
    pose = trimesh.transformations.rotation_matrix(turn, axis)
    pose[:3, 3] = 10 * np.asarray(axis)
    flat = np.concatenate([corners, np.zeros((len(corners), 1))], axis=1)
    return trimesh.transform_points(flat, pose)


def cut(points: np.ndarray, order: np.ndarray) -> np.ndarray:
    faces, owner = triangulate(points, order, np.array([0, len(order)]))
    assert (owner == 0).all()
    return faces


COMB = np.array(
    [(0, 0), (9, 0), (9, 5), (8, 5), (8, 1), (6, 1), (6, 5), (5, 5), (5, 1), (1, 1), (1, 5), (0, 5)], float
)


@given(outlines(), st.integers(0, 20), st.booleans())
@example(COMB, 0, False)
@example(COMB, 4, True)
def test_area_outline_and_side(corners: np.ndarray, first: int, backwards: bool) -> None:
    order = np.roll(np.arange(len(corners)), -first)
    order = order[::-1].copy() if backwards else order
    points = np.concatenate([corners, np.zeros((len(corners), 1))], axis=1)
    faces = cut(points, order)
    outline = shapely.Polygon(corners)

    # n - 2 triangles, as for any simple polygon (Meisters 1975), whose areas add up to the outline's.
    assert len(faces) == len(corners) - 2
    triangles = shapely.polygons(corners[faces])
    np.testing.assert_allclose(
        shapely.area(triangles).sum(), outline.area, rtol=1e-9
    )  # the reader's own bound
    # All on the side on which the polygon lies, and none outside it.
    doubled = np.cross(points[faces[:, 1]] - points[faces[:, 0]], points[faces[:, 2]] - points[faces[:, 0]])[
        :, 2
    ]
    rounding = 1e-12 * np.ptp(corners) ** 2
    assert (doubled * (-1 if backwards else 1) >= -rounding).all()
    # Outer edges are those of the polygon, each once and in its direction; inner edges come once each way.
    edges = Counter((int(face[k]), int(face[(k + 1) % 3])) for face in faces for k in range(3))
    assert set(edges.values()) == {1}
    outer = {edge for edge in edges if edge[::-1] not in edges}
    assert outer == {(int(a), int(b)) for a, b in zip(order, np.roll(order, -1))}


# One edge halved again and again: rounding leaves slivers of either sign between its corners.
HALVED = [
    (38.459100035483125, 11.368379238081907),
    (-3.485953671973871, 89.93246425511119),
    (-85.9833152669966, -26.58701742761439),
    (15.045731670002585, -35.94511984584285),
]
for _ in range(3):
    HALVED.insert(2, (0.5 * (HALVED[1][0] + HALVED[2][0]), 0.5 * (HALVED[1][1] + HALVED[2][1])))


@given(outlines(), st.tuples(*[st.floats(-1, 1)] * 3), st.floats(-3, 3))
@example(np.array(HALVED), (0.0, 0.0, 1.0), 0.0)
def test_pose_does_not_change_the_area(
    corners: np.ndarray, axis: tuple[float, float, float], turn: float
) -> None:
    axis = axis if np.linalg.norm(axis) > 0.1 else (0.0, 0.0, 1.0)
    points = posed(corners, axis, turn)
    faces = cut(points, np.arange(len(corners)))
    area = trimesh.triangles.area(points[faces]).sum()
    # Corners are off their place by 1e-16 of 160 m, and the area by that times the outline's length.
    np.testing.assert_allclose(area, shapely.Polygon(corners).area, rtol=1e-9, atol=1e-10)
