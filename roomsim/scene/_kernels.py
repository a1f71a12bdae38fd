"""Intersection of rays with all triangles one by one, for checks before a run, which need no tree."""

from __future__ import annotations

import numpy as np

from .._jit import KERNEL_OPTIONS, njit

NEAREST = 1e-7
"""m from the start of a ray within which faces are ignored: it may start on two coincident faces."""


@njit(**KERNEL_OPTIONS)
def _distances(origin: np.ndarray, direction: np.ndarray, triangles: np.ndarray, found: np.ndarray) -> None:
    """Distances along a ray to all triangles, into `found` (m,); infinity where it misses.

    `triangles` (9, m): corner, edge, other edge. No branches, so that several triangles are tested at once.
    Moeller and Trumbore, J. Graphics Tools 2 (1997) 21, from memory.
    """
    ox, oy, oz = origin[0], origin[1], origin[2]
    dx, dy, dz = direction[0], direction[1], direction[2]
    for k in range(triangles.shape[1]):
        ux, uy, uz = triangles[3, k], triangles[4, k], triangles[5, k]
        vx, vy, vz = triangles[6, k], triangles[7, k], triangles[8, k]
        sx, sy, sz = ox - triangles[0, k], oy - triangles[1, k], oz - triangles[2, k]
        px, py, pz = dy * vz - dz * vy, dz * vx - dx * vz, dx * vy - dy * vx
        qx, qy, qz = sy * uz - sz * uy, sz * ux - sx * uz, sx * uy - sy * ux
        inverse = 1.0 / (ux * px + uy * py + uz * pz)
        u = (sx * px + sy * py + sz * pz) * inverse
        v = (dx * qx + dy * qy + dz * qz) * inverse
        t = (vx * qx + vy * qy + vz * qz) * inverse
        # A ray along the plane gives infinity or NaN, for which no comparison holds.
        hit = (u >= 0.0) & (v >= 0.0) & (u + v <= 1.0) & (t > NEAREST)
        found[k] = t if hit else np.inf


@njit(**KERNEL_OPTIONS)
def crossings(
    origins: np.ndarray, directions: np.ndarray, triangles: np.ndarray, limit: int
) -> tuple[np.ndarray, np.ndarray]:
    """Number of triangles that each ray passes (n,), and distances of the first `limit` found (n, limit)."""
    counts = np.zeros(len(origins), np.int64)
    distances = np.full((len(origins), limit), np.inf)
    found = np.empty(triangles.shape[1])
    for i in range(len(origins)):
        _distances(origins[i], directions[i], triangles, found)
        for t in found:
            if t < np.inf:
                if counts[i] < limit:
                    distances[i, counts[i]] = t
                counts[i] += 1
    return counts, distances


@njit(**KERNEL_OPTIONS)
def closest(
    origins: np.ndarray, directions: np.ndarray, leave_out: np.ndarray, triangles: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Nearest triangle (n,), -1 for none, and its distance (n,).

    `leave_out` (n,) is the triangle that each ray starts from, -1 for none.
    """
    faces = np.full(len(origins), -1, np.int64)
    distances = np.full(len(origins), np.inf)
    found = np.empty(triangles.shape[1])
    for i in range(len(origins)):
        _distances(origins[i], directions[i], triangles, found)
        if leave_out[i] >= 0:
            found[leave_out[i]] = np.inf
        k = np.argmin(found)
        if found[k] < np.inf:
            faces[i], distances[i] = k, found[k]
    return faces, distances
