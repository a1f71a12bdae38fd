"""Rays against all triangles, one by one: for checks before a run, where no tree is worth its building."""

from __future__ import annotations

import numpy as np
from numba import njit

from .._jit import KERNEL_OPTIONS


@njit(**KERNEL_OPTIONS)
def _distance(
    origin: np.ndarray, direction: np.ndarray, corner: np.ndarray, edge_u: np.ndarray, edge_v: np.ndarray
) -> float:
    """Distance along the ray to a triangle, infinity where it misses.

    Moeller and Trumbore, J. Graphics Tools 2 (1997) 21, from memory.
    """
    px = direction[1] * edge_v[2] - direction[2] * edge_v[1]
    py = direction[2] * edge_v[0] - direction[0] * edge_v[2]
    pz = direction[0] * edge_v[1] - direction[1] * edge_v[0]
    determinant = edge_u[0] * px + edge_u[1] * py + edge_u[2] * pz
    if determinant == 0.0:
        return np.inf
    sx, sy, sz = origin[0] - corner[0], origin[1] - corner[1], origin[2] - corner[2]
    u = (sx * px + sy * py + sz * pz) / determinant
    if u < 0.0 or u > 1.0:
        return np.inf
    qx = sy * edge_u[2] - sz * edge_u[1]
    qy = sz * edge_u[0] - sx * edge_u[2]
    qz = sx * edge_u[1] - sy * edge_u[0]
    v = (direction[0] * qx + direction[1] * qy + direction[2] * qz) / determinant
    if v < 0.0 or u + v > 1.0:
        return np.inf
    t = (edge_v[0] * qx + edge_v[1] * qy + edge_v[2] * qz) / determinant
    return t if t > 0.0 else np.inf


@njit(**KERNEL_OPTIONS)
def crossings(
    origins: np.ndarray,
    directions: np.ndarray,
    corners: np.ndarray,
    edges_u: np.ndarray,
    edges_v: np.ndarray,
    limit: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Number of triangles that each ray passes (n,), and distances of the first `limit` found (n, limit)."""
    counts = np.zeros(len(origins), np.int64)
    distances = np.full((len(origins), limit), np.inf)
    for i in range(len(origins)):
        for k in range(len(corners)):
            t = _distance(origins[i], directions[i], corners[k], edges_u[k], edges_v[k])
            if t < np.inf:
                if counts[i] < limit:
                    distances[i, counts[i]] = t
                counts[i] += 1
    return counts, distances


@njit(**KERNEL_OPTIONS)
def closest(
    origins: np.ndarray,
    directions: np.ndarray,
    leave_out: np.ndarray,
    corners: np.ndarray,
    edges_u: np.ndarray,
    edges_v: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Nearest triangle (n,), -1 for none, and its distance (n,).

    `leave_out` (n,) is the triangle that each ray starts from, -1 for none.
    """
    faces = np.full(len(origins), -1, np.int64)
    distances = np.full(len(origins), np.inf)
    for i in range(len(origins)):
        for k in range(len(corners)):
            if k != leave_out[i]:
                t = _distance(origins[i], directions[i], corners[k], edges_u[k], edges_v[k])
                if t < distances[i]:
                    faces[i], distances[i] = k, t
    return faces, distances
