"""Choice of the planes that act as mirrors for image sources."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from .patches import Primitives, primitive_areas
from .surfaces import FLATNESS, SAME_DIRECTION
from .topology import normals_and_areas

MIN_AREA = 2.0
"""m2 in one plane: a smaller reflector gives no distinct image."""
MAX_MIRRORS = 64
"""Image sources of second order grow with the square of this number."""


def choose_mirrors(primitives: Primitives) -> tuple[np.ndarray, np.ndarray]:
    """Number the largest planes.

    Primitives count as one plane when all their corners lie within `FLATNESS` of the plane of the largest of
    them and their normals within a tenth of a degree of its normal.

    Returns
    -------
    mirror : (n,) int32
        Plane of each primitive, largest plane first; -1 for planes under `MIN_AREA` and those after the first
        `MAX_MIRRORS`.
    planes : (n_mirrors, 4) float64
        Unit normal and offset d, m: n . x + d = 0.
    """
    normals = normals_and_areas(primitives.corners)[0]
    areas = primitive_areas(primitives)
    fourth = primitives.corners[:, 1] + primitives.corners[:, 2] - primitives.corners[:, 0]
    fourth[primitives.is_triangle] = primitives.corners[primitives.is_triangle, 0]
    corners = np.concatenate([primitives.corners, fourth[:, None]], axis=1)
    directions = cKDTree(np.concatenate([normals, -normals]))
    within = np.sqrt(2.0 - 2.0 * SAME_DIRECTION)

    plane_of = np.full(len(areas), -1)
    planes: list[np.ndarray] = []
    totals: list[float] = []
    for seed in np.argsort(-areas, kind="stable"):
        if plane_of[seed] >= 0:
            continue
        near = np.unique(np.array(directions.query_ball_point(normals[seed], within)) % len(areas))
        near = near[plane_of[near] < 0]
        off = np.abs((corners[near] - corners[seed, 0]) @ normals[seed]).max(axis=1)
        members = near[(off < FLATNESS) | (near == seed)]
        plane_of[members] = len(planes)
        planes.append(np.append(normals[seed], -normals[seed] @ corners[seed, 0]))
        totals.append(float(areas[members].sum()))

    order = [i for i in np.argsort(-np.array(totals), kind="stable") if totals[i] >= MIN_AREA][:MAX_MIRRORS]
    renumbered = np.full(len(planes), -1, np.int32)
    renumbered[order] = np.arange(len(order))
    chosen = np.array([planes[i] for i in order]).reshape(-1, 4)
    return renumbered[plane_of], chosen
