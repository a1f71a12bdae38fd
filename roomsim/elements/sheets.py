"""Planes, and flat sheets in them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely


@dataclass(frozen=True)
class Plane:
    """A plane with its own axes."""

    origin: np.ndarray
    """(3,) m."""
    axes: np.ndarray
    """(2, 3) orthonormal: the first horizontal, the second as steep as the plane allows."""
    normal: np.ndarray
    """(3,) unit, the cross product of the axes."""

    def flatten(self, points: np.ndarray) -> np.ndarray:
        """(..., 3) points -> (..., 2) coordinates of their projections onto the plane."""
        return (points - self.origin) @ self.axes.T

    def lift(self, points: np.ndarray) -> np.ndarray:
        """(..., 2) coordinates -> (..., 3) points."""
        return self.origin + np.asarray(points) @ self.axes

    def distance(self, points: np.ndarray) -> np.ndarray:
        """(...) signed distance of points (..., 3) from the plane, m; positive on the side of its normal."""
        return (points - self.origin) @ self.normal

    def contains(self, points: np.ndarray, tolerance: float) -> bool:
        """Whether all points (..., 3) lie in the plane, within a tolerance, m."""
        return bool(np.abs(self.distance(points)).max() < tolerance)


def plane_through(origin: np.ndarray, normal: np.ndarray) -> Plane:
    """The plane through a point with a given normal (any length)."""
    # Python numbers, because a mesh of 50,000 faces may have as many planes and small arrays are slow.
    x, y, z = (float(c) for c in normal)
    length = math.hypot(x, y, z)
    x, y, z = x / length, y / length, z / length
    # The first axis of level planes runs along x, or as nearly as the plane allows.
    a, b, c = (-y, x, 0.0) if math.hypot(x, y) > 1e-6 else (1.0 - x * x, -x * y, -x * z)
    length = math.hypot(a, b, c)
    a, b, c = a / length, b / length, c / length
    axes = np.array([[a, b, c], [y * c - z * b, z * a - x * c, x * b - y * a]])
    return Plane(np.asarray(origin, float), axes, np.array([x, y, z]))


@dataclass(frozen=True)
class Sheet:
    """A flat piece of an element."""

    element: str
    piece: str
    plane: Plane
    polygon: shapely.Polygon
    """In the plane's coordinates."""

    @property
    def corners(self) -> np.ndarray:
        """(n, 3) m, the corners of the outline, each once."""
        return self.plane.lift(np.asarray(self.polygon.exterior.coords)[:-1])


def upright(element: str, piece: str, start: np.ndarray, end: np.ndarray, bottom: float, top: float) -> Sheet:
    """An upright rectangle over a plan line from `start` to `end`, (2,) each."""
    along = end - start
    plane = plane_through(np.array([*start, bottom]), np.array([-along[1], along[0], 0.0]))
    corners = [[*start, bottom], [*end, bottom], [*end, top], [*start, top]]
    return Sheet(element, piece, plane, shapely.Polygon(plane.flatten(np.array(corners))))


def level(element: str, piece: str, outline: np.ndarray, height: float) -> Sheet:
    """A level polygon over a plan outline (n, 2)."""
    plane = plane_through(np.array([0.0, 0.0, height]), np.array([0.0, 0.0, 1.0]))
    return Sheet(element, piece, plane, shapely.Polygon(outline))


def axes_in_plan(direction: float) -> np.ndarray:
    """(2, 2) unit vectors in plan: along a direction in degrees anticlockwise from x, and to the left of it."""
    angle = np.radians(direction)
    return np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])


def closed(polygon: object) -> np.ndarray:
    """(n + 1, 2) the corners of a polygon in plan, the first one repeated at the end."""
    points = np.array(polygon, float)
    return np.concatenate([points, points[:1]])


def seen_from_above(sheet: Sheet) -> np.ndarray:
    """A level sheet as a closed outline in plan, an upright one as a line."""
    corners = sheet.corners
    if np.ptp(corners[:, 2]) < 1e-6:
        return closed(corners[:, :2])
    return corners[:2, :2]
