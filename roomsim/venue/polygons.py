"""Polygons of a mesh file, and their triangulation.

Fan triangulation of a concave polygon produces triangles outside it: absorption that does not exist, and reflectors
in mid-air. Here convex polygons are cut into fans and all others by ear clipping, and the area of the triangles is
checked against that of the polygon.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import mapbox_earcut
import numpy as np

FLAT = 5e-3
"""m. Largest distance of the corners of a polygon from its plane."""
MOST_CORNERS = 10_000
"""Of one polygon. The time to cut an outline that crosses itself grows with the square of its corners."""


@dataclass(frozen=True)
class RawMesh:
    """Polygons as a file has them, in the file's own unit and axes."""

    vertices: np.ndarray
    """(n_vertices, 3) float64."""
    corners: np.ndarray
    """(n_corners,) int64, vertex indices of all polygons end to end."""
    start: np.ndarray
    """(n_polygons + 1,) int64, index of the first corner of each polygon in `corners`, and the end of the last one."""
    label: np.ndarray
    """(n_polygons,) int32, index into `labels`."""
    labels: tuple[tuple[str, str, str], ...]
    """Group, material and object as named in the file; empty where it names none."""
    place: np.ndarray
    """(n_polygons,) int64, line or number of the polygon in the file."""
    place_kind: Literal["line", "face"]


def raw_mesh(
    vertices: np.ndarray,
    corners: np.ndarray,
    counts: np.ndarray,
    label: np.ndarray | None = None,
    labels: tuple[tuple[str, str, str], ...] = (("", "", ""),),
    lines: np.ndarray | None = None,
) -> RawMesh:
    """Polygons of `counts` (n,) corners each, end to end in `corners`.

    Without `label` and `labels` the file has no names. Without `lines` (n,) messages give the number of a polygon in
    the file, from 0, in place of its line.
    """
    return RawMesh(
        vertices=vertices,
        corners=corners.astype(np.int64),
        start=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        label=(np.zeros(len(counts)) if label is None else label).astype(np.int32),
        labels=labels,
        place=(np.arange(len(counts)) if lines is None else lines).astype(np.int64),
        place_kind="face" if lines is None else "line",
    )


class PolygonFault(Exception):
    """Polygons that cannot be triangulated: [(index, what is wrong)]."""

    def __init__(self, faults: list[tuple[int, str]]) -> None:
        super().__init__(f"{len(faults)} polygons")
        self.faults = faults


def triangulate(
    vertices: np.ndarray, corners: np.ndarray, start: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Cut polygons into triangles with the same winding.

    Parameters
    ----------
    vertices : (n_vertices, 3) float64, m
    corners : (n_corners,) int64, vertex indices of all polygons end to end, at least three each
    start : (n_polygons + 1,) int64

    Returns
    -------
    faces : (n_triangles, 3) int64, vertex indices, in the order of the polygons
    polygon : (n_triangles,) int64, the polygon that each triangle belongs to

    A polygon whose corners lie on one line has no area; it becomes triangles without area, so that a later check
    can report it. All corners are kept: a corner in the middle of a straight edge joins this polygon to two
    neighbours.

    Raises
    ------
    PolygonFault : corners more than 5 mm off the plane; outlines that cross themselves; more than 10,000 corners
    """
    corners, start = _without_repeats(corners, start)
    counts = np.diff(start)
    faces, owners = [np.empty((0, 3), dtype=np.int64)], [np.empty(0, dtype=np.int64)]
    faults = list(_refused(corners, start))
    refused = np.zeros(len(counts), dtype=bool)
    refused[[polygon for polygon, _ in faults]] = True
    for n in np.unique(counts[~refused]):
        which = np.flatnonzero((counts == n) & ~refused)
        index = corners[start[which][:, None] + np.arange(n)]
        if n == 3:
            faces.append(index)
            owners.append(which)
            continue
        shape = _Shapes(vertices[index])
        bent = shape.deviation > FLAT
        for i in map(int, np.flatnonzero(bent)):
            far = 1000 * shape.deviation[i]
            faults.append(
                (int(which[i]), f"its corners lie up to {far:.3g} mm off one plane (5 mm is allowed)")
            )
        fan = np.stack([np.zeros(n - 2, dtype=np.int64), np.arange(1, n - 1), np.arange(2, n)], axis=1)
        convex = shape.convex & ~bent
        faces.append(index[convex][:, fan].reshape(-1, 3))
        owners.append(np.repeat(which[convex], n - 2))
        for i in map(int, np.flatnonzero(~shape.convex & ~bent)):
            triangles = (
                _fan_of_line(shape, i, fan) if shape.without_area[i] else _ears(shape.in_plane(i), index[i])
            )
            if triangles is None:
                faults.append((int(which[i]), "its outline crosses itself"))
            else:
                faces.append(index[i][triangles])
                owners.append(np.full(len(triangles), which[i]))
    if faults:
        raise PolygonFault(sorted(faults))
    owner = np.concatenate(owners)
    order = np.argsort(owner, kind="stable")
    return np.concatenate(faces)[order], owner[order]


def _refused(corners: np.ndarray, start: np.ndarray) -> Iterator[tuple[int, str]]:
    """Large polygons that cannot be cut and are not attempted: (index, what is wrong).

    An outline round an area with holes passes the ends of the bridges to its holes twice. A hole has at least three
    corners, so even then the outline has fewer than twice as many points as there are distinct corners.
    """
    for i in map(int, np.flatnonzero(np.diff(start) > 100)):
        own = corners[start[i] : start[i + 1]]
        distinct = len(np.unique(own))
        if len(own) >= 2 * distinct:
            yield i, f"its outline passes its {distinct} corners {len(own)} times"
        elif len(own) > MOST_CORNERS:
            yield i, f"it has {len(own)} corners ({MOST_CORNERS} are allowed)"


def _without_repeats(corners: np.ndarray, start: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Without corners that repeat the previous one; a polygon with fewer than three left is filled up to three."""
    counts = np.diff(start)
    previous = np.empty_like(corners)
    previous[1:] = corners[:-1]
    previous[start[:-1]] = corners[start[1:] - 1]
    repeated = (corners == previous) & np.repeat(counts > 3, counts)
    if not repeated.any():
        return corners, start
    outlines = []
    for i in range(len(counts)):
        part = slice(start[i], start[i + 1])
        own = corners[part][~repeated[part]]
        own = own if len(own) else corners[part][:1]
        outlines.append(own if len(own) > 2 else np.resize(own, 3))
    return np.concatenate(outlines), np.concatenate([[0], np.cumsum([len(own) for own in outlines])])


class _Shapes:
    """Planes, flatness and turns of k polygons with n corners each."""

    def __init__(self, points: np.ndarray) -> None:
        self.relative = points - points.mean(axis=1, keepdims=True)
        following = np.roll(self.relative, -1, axis=1)
        # Newell's vector: its length is the area and its direction the normal of the mean plane.
        vector = 0.5 * np.cross(self.relative, following).sum(axis=1)
        self.area = np.linalg.norm(vector, axis=1)
        self.size = np.linalg.norm(self.relative, axis=2).max(axis=1)
        # 1e-9 is far above rounding (1e-16) and below any intended sliver: 1 mm by 100 m has 4e-5.
        self.without_area = self.area <= 1e-9 * self.size**2
        self.normal = vector / np.where(self.without_area, 1.0, self.area)[:, None]
        height = np.abs(np.einsum("kni,ki->kn", self.relative, self.normal)).max(axis=1)
        self.deviation = np.where(self.without_area, 0.0, height)
        edges = following - self.relative
        before = np.roll(edges, 1, axis=1)
        turn = np.arctan2(
            np.einsum("kni,ki->kn", np.cross(before, edges), self.normal),
            np.einsum("kni,kni->kn", before, edges),
        )
        # Left turns only, through one full turn in all (a pentagram also turns left, but through two).
        self.convex = (turn > 1e-7).all(axis=1) & (turn.sum(axis=1) < 3 * np.pi) & ~self.without_area

    def in_plane(self, i: int) -> np.ndarray:
        """(n, 2) corners of polygon i in its plane, anticlockwise."""
        normal = self.normal[i]
        helper = np.eye(3)[np.argmin(np.abs(normal))]
        across = np.cross(normal, helper)
        across /= np.linalg.norm(across)
        return self.relative[i] @ np.stack([across, np.cross(normal, across)], axis=1)


def _fan_of_line(shape: _Shapes, i: int, fan: np.ndarray) -> np.ndarray | None:
    """Triangles of a polygon without area if its corners are on a line; None if its outline crosses itself."""
    widths = np.linalg.svd(shape.relative[i], compute_uv=False)
    # The same bound as for the area, which is about the product of the two widths.
    return fan if widths[1] <= 1e-6 * shape.size[i] or shape.size[i] == 0 else None


def _ears(points: np.ndarray, corners: np.ndarray) -> np.ndarray | None:
    """(n - 2, 3) positions of the corners of triangles, or None if they do not cover the polygon."""
    n = len(points)
    flat = mapbox_earcut.triangulate_float64(np.ascontiguousarray(points), np.array([n], dtype=np.uint32))
    triangles = np.asarray(flat, dtype=np.int64).reshape(-1, 3)
    # In the order of the outline the corners have its winding; the sign of the area of a sliver is rounding.
    triangles = np.sort(triangles, axis=1)
    x, y = points.T
    area = 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    # All areas are sums of about n products of coordinates: rounding is n times 1e-16 of their squares.
    rounding = 1e-15 * n * float(np.square(points).max()) + 1e-9 * area
    # Slivers between corners on one line may lack some of these; the triangle next to them has them all.
    without_slivers = triangles[np.abs(_signed_areas(points[triangles])) > rounding]
    for some in (triangles, without_slivers):
        complete = np.array(list(_with_all_corners(some, corners)), dtype=np.int64).reshape(-1, 3)
        covered = float(np.abs(_signed_areas(points[complete])).sum())
        if abs(covered - area) <= rounding:
            return complete
    return None


def _with_all_corners(triangles: np.ndarray, corners: np.ndarray) -> Iterator[tuple[int, int, int]]:
    """Triangles, split at corners that ear clipping left out because they are on a straight edge."""
    n = len(corners)
    edges = {(corners[t[k]], corners[t[(k + 1) % 3]]) for t in triangles for k in range(3)}
    waiting = [tuple(int(k) for k in triangle) for triangle in triangles]
    while waiting:
        triangle = waiting.pop()
        for k in range(3):
            a, b, apex = triangle[k], triangle[(k + 1) % 3], triangle[(k + 2) % 3]
            skipped = (b - a) % n - 1
            if skipped > 0 and (corners[b], corners[a]) not in edges:
                for p, q in pairwise((a + i) % n for i in range(skipped + 2)):
                    waiting.append((p, q, apex))
                    edges |= {(corners[q], corners[apex]), (corners[apex], corners[p])}
                break
        else:
            yield triangle[0], triangle[1], triangle[2]


def _signed_areas(triangles: np.ndarray) -> np.ndarray:
    """(m,) of triangles (m, 3, 2), positive where anticlockwise."""
    u, v = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    return 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
