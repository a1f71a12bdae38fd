"""Visibility between points."""

from __future__ import annotations

import numpy as np

from ..scene.scene import Scene
from ._closest import find_hits
from .geometry import Geometry

_NEAR = 0.02
"""m before a point within which a surface does not obstruct: the point lies on it."""


def visible_from(scene: Scene, geometry: Geometry, place: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(n,) bool: no surface lies between a place (3,) and points (n, 3). Free-hanging cloth does not obstruct."""
    is_sheet = np.array([patch.is_sheet for patch in scene.patches])
    position = np.tile(np.asarray(place, np.float32), (len(points), 1))
    skip = np.full(len(points), -1, np.int32)
    seen = np.ones(len(points), bool)
    waiting = np.arange(len(points))
    while len(waiting):
        away = points[waiting] - position[waiting]
        left = np.linalg.norm(away, axis=1)
        towards = (away / np.maximum(left, 1e-9)[:, None]).astype(np.float32)
        distance, primitive = find_hits(position[waiting], towards, geometry, skip[waiting])
        between = (primitive >= 0) & (distance < left - _NEAR)
        cloth = between & is_sheet[geometry.patch[primitive]]
        seen[waiting[between & ~cloth]] = False
        position[waiting[cloth]] += distance[cloth, None] * towards[cloth]
        skip[waiting[cloth]] = primitive[cloth]
        waiting = waiting[cloth]
    return seen
