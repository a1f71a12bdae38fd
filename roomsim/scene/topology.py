"""Connectivity of the triangles of a mesh whose vertices have been merged by the reader."""

from __future__ import annotations

import numpy as np
import shapely

TOUCHING = 1e-3
"""m within which an edge lies on a face."""


def _directed_edges(faces: np.ndarray) -> np.ndarray:
    """(3 m, 2) vertices of the edges of faces (m, 3), face by face, each in the direction of its face."""
    return faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)


def shared_edges(faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of faces of (m, 3) that share an edge, (k, 2), and the edges' vertices, (k, 2).

    Where more than two faces meet in an edge, each is paired with the next.
    """
    edges = np.sort(_directed_edges(faces), axis=1)
    # The face of each edge is its number over three, so that a stable sort keeps the faces in order.
    order = np.lexsort((edges[:, 1], edges[:, 0]))
    edges, owner = edges[order], order // 3
    same = (edges[1:] == edges[:-1]).all(axis=1) & (owner[1:] != owner[:-1])
    return np.stack([owner[:-1][same], owner[1:][same]], axis=1), edges[:-1][same]


def repeated_faces(faces: np.ndarray) -> np.ndarray:
    """Indices of the faces of (m, 3) that have the same three vertices as an earlier one."""
    first = np.unique(np.sort(faces, axis=1), axis=0, return_index=True)[1]
    return np.setdiff1d(np.arange(len(faces)), first)


def usable_faces(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(m,) bool: faces that have an area and do not repeat an earlier one."""
    usable = normals_and_areas(vertices[faces])[1] > 0.0
    usable[repeated_faces(faces)] = False
    return usable


def normals_and_areas(corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Unit normals (m, 3), zero for faces without area, and areas (m,) of triangles (m, 3, 3)."""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(cross, axis=1)
    return cross / np.where(length > 0.0, length, 1.0)[:, None], 0.5 * length


def open_edges(faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Edges that only one of the faces (m, 3) has: their vertices (k, 2), in its order, and the face (k,)."""
    directed = _directed_edges(faces)
    _, number, count = np.unique(np.sort(directed, axis=1), axis=0, return_inverse=True, return_counts=True)
    is_open = np.flatnonzero(count[number.ravel()] == 1)
    return directed[is_open], is_open // 3


def turned_edges(faces: np.ndarray) -> np.ndarray:
    """(k, 2) vertices of the edges whose two faces have opposite orientation."""
    directed = _directed_edges(faces)
    edges, number, count = np.unique(np.sort(directed, axis=1), axis=0, return_inverse=True, return_counts=True)
    forward = np.bincount(number.ravel(), directed[:, 0] < directed[:, 1], minlength=len(edges))
    return edges[(count == 2) & (forward != 1)]


def cut_by_plane(corners: np.ndarray, distance: np.ndarray) -> np.ndarray:
    """(n, 2, 3) ends of the lines along which a plane cuts triangles (m, 3, 3); `distance` (m, 3), m, is the signed
    distance of each corner from the plane."""
    crosses = (distance.min(axis=1) < 0.0) & (distance.max(axis=1) > 0.0)
    corners, distance = corners[crosses], distance[crosses]
    after, beyond = np.roll(corners, -1, axis=1), np.roll(distance, -1, axis=1)
    cut = (distance < 0.0) != (beyond < 0.0)
    share = distance / np.where(cut, distance - beyond, 1.0)
    points = corners + share[..., None] * (after - corners)
    # Two of the three edges of each triangle are cut.
    return points[cut].reshape(-1, 2, 3)


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
    unit, area = normals_and_areas(corners)
    inside = area > 0.0
    from_plane = np.abs(np.einsum("ij,ij->i", points - corners[:, 0], unit))
    from_edges = np.full(len(points), np.inf)
    for start, end in ((corners[:, i], corners[:, (i + 1) % 3]) for i in range(3)):
        along = end - start
        inside &= np.einsum("ij,ij->i", np.cross(along, points - start), unit) >= 0.0
        share = np.einsum("ij,ij->i", points - start, along) / np.maximum((along**2).sum(axis=1), 1e-300)
        foot = start + np.clip(share, 0.0, 1.0)[:, None] * along
        from_edges = np.minimum(from_edges, np.linalg.norm(points - foot, axis=1))
    return np.where(inside, from_plane, from_edges)
