"""How the triangles of a mesh hang together: the reader has merged their vertices."""

from __future__ import annotations

import numpy as np
import shapely

TOUCHING = 1e-3
"""m within which an edge lies on a face."""


def shared_edges(faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of faces of (m, 3) that share an edge, (k, 2), and the edges' vertices, (k, 2).

    Where more than two faces meet in an edge, each is paired with the next.
    """
    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    owner = np.repeat(np.arange(len(faces)), 3)
    order = np.lexsort((owner, edges[:, 1], edges[:, 0]))
    edges, owner = edges[order], owner[order]
    same = (edges[1:] == edges[:-1]).all(axis=1) & (owner[1:] != owner[:-1])
    return np.stack([owner[:-1][same], owner[1:][same]], axis=1), edges[:-1][same]


def repeated_faces(faces: np.ndarray) -> np.ndarray:
    """Indices of the faces of (m, 3) that have the same three vertices as an earlier one."""
    first = np.unique(np.sort(faces, axis=1), axis=0, return_index=True)[1]
    return np.setdiff1d(np.arange(len(faces)), first)


def normals_and_areas(corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Unit normals (m, 3), zero for faces without area, and areas (m,) of triangles (m, 3, 3)."""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(cross, axis=1)
    return cross / np.where(length > 0.0, length, 1.0)[:, None], 0.5 * length


def open_edges(faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Edges of (m, 3) that only one face has: their vertices (k, 2), in its order, and the face (k,)."""
    directed = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    _, where, count = np.unique(np.sort(directed, axis=1), axis=0, return_inverse=True, return_counts=True)
    alone = count[where.ravel()] == 1
    return directed[alone], np.repeat(np.arange(len(faces)), 3)[alone]


def turned_edges(faces: np.ndarray) -> np.ndarray:
    """(k, 2) vertices of edges whose two faces run round them the same way: one of the two is turned over."""
    directed = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    edges, where, count = np.unique(
        np.sort(directed, axis=1), axis=0, return_inverse=True, return_counts=True
    )
    forward = np.bincount(where.ravel(), directed[:, 0] < directed[:, 1], minlength=len(edges))
    return edges[(count == 2) & (forward != 1)]


def touching_faces(points: np.ndarray, owner: np.ndarray, corners: np.ndarray, within: float) -> np.ndarray:
    """(n,) bool: whether each point (n, 3) lies on a triangle of (m, 3, 3) other than its owner (n,)."""
    low, high = corners.min(axis=1) - within, corners.max(axis=1) + within
    tree = shapely.STRtree(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
    point, face = tree.query(shapely.points(points[:, :2]))
    close = (points[point, 2] > low[face, 2]) & (points[point, 2] < high[face, 2]) & (face != owner[point])
    point, face = point[close], face[close]
    touches = _distance_to_triangle(points[point], corners[face]) < within
    result = np.zeros(len(points), bool)
    result[point[touches]] = True
    return result


def _distance_to_triangle(points: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """(n,) distance of each point (n, 3) from its triangle (n, 3, 3)."""
    a, b, c = np.moveaxis(corners, 1, 0)
    normal = np.cross(b - a, c - a)
    length = np.linalg.norm(normal, axis=1)
    unit = normal / np.where(length > 0.0, length, 1.0)[:, None]
    from_plane = np.abs(np.einsum("ij,ij->i", points - a, unit))
    inside = length > 0.0
    from_edges = np.full(len(points), np.inf)
    for start, end in ((a, b), (b, c), (c, a)):
        along = end - start
        inside &= np.einsum("ij,ij->i", np.cross(along, points - start), unit) >= 0.0
        share = np.einsum("ij,ij->i", points - start, along) / np.maximum((along**2).sum(axis=1), 1e-300)
        foot = start + np.clip(share, 0.0, 1.0)[:, None] * along
        from_edges = np.minimum(from_edges, np.linalg.norm(points - foot, axis=1))
    return np.where(inside, from_plane, from_edges)
