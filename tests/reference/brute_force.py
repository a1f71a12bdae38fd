"""Closest hits in the slow, direct way: every primitive, double precision. Imports numpy only."""

from __future__ import annotations

import numpy as np


def closest_hits(origins, directions, skip, origin, edge_u, edge_v, is_triangle, least=1e-5):
    """(distance (n,), primitive (n,)) by solving o + t d = p + u a + v b for every primitive; inf and -1 on a miss."""
    n = len(origins)
    best, which = np.full(n, np.inf), np.full(n, -1)
    for k in range(len(origin)):
        a, b = edge_u[k], edge_v[k]
        normal = np.cross(a, b)
        slope = directions @ normal
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (origin[k] - origins) @ normal / slope
            point = origins + t[:, None] * directions - origin[k]
        # a . (b x n) = n . n by the triple product, and b . (b x n) = 0: so this is u; likewise v.
        u = point @ np.cross(b, normal) / (normal @ normal)
        v = point @ np.cross(normal, a) / (normal @ normal)
        inside = (u >= 0) & (v >= 0) & ((u + v <= 1) if is_triangle[k] else ((u <= 1) & (v <= 1)))
        hit = inside & (t > least) & (t < best) & (skip != k) & (slope != 0)
        best[hit], which[hit] = t[hit], k
    return best, which


def sphere_chords(origins, directions, lengths, centre, radius):
    """Of every segment (n) and sphere (m): length of the chord (n, m), negative where the segment misses it or ends
    before it; distance of its middle along the segment (n, m); square of half the line's chord (n, m)."""
    unit = directions / np.linalg.norm(directions, axis=1)[:, None]
    away = centre[None] - origins[:, None]
    along = np.einsum("ijk,ik->ij", away, unit)
    half_squared = radius**2 - np.linalg.norm(np.cross(away, unit[:, None]), axis=2) ** 2
    half = np.sqrt(np.maximum(half_squared, 0.0))
    enter, leave = np.maximum(along - half, 0.0), np.minimum(along + half, lengths[:, None])
    return np.where(half_squared > 0.0, leave - enter, -1.0), (enter + leave) / 2, half_squared
