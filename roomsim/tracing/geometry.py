"""Packing a scene's primitives for the kernels: single precision, eight to a vector, in a tree."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..scene.scene import SurfaceArrays
from . import _tree
from ._memory import on_lines
from ._plain import WIDTH

FIRST_PACK_SHARE = 0.5
"""Share of the total area: where the eight largest primitives have more, testing them first saves time."""

OVERLAP = 2e-5
"""m by which primitives are enlarged, so that no ray slips between neighbours: some ulp of single precision at
100 m."""


class Geometry(NamedTuple):
    """Input of the closest-hit kernels: a NamedTuple, which numba accepts as one argument."""

    nodes: np.ndarray
    """(n_nodes * 48,) float32; empty where all primitives fit into the first pack."""
    children: np.ndarray
    """(n_nodes * 8,) int32: wide node, or -1 - pack for a leaf."""
    packs: np.ndarray
    """(n_packs * 104,) float32. The first holds the largest primitives, which are in no leaf, or nothing."""
    primitives: np.ndarray
    """(n_packs * 8,) int32, index into the scene's primitives."""
    normals: np.ndarray
    """(n_primitives, 3) float32, unit, either side."""
    patch: np.ndarray
    """(n_primitives,) int32."""
    mirror: np.ndarray
    """(n_primitives,) int32."""


def corners_of(surfaces: SurfaceArrays) -> np.ndarray:
    """(4, n_primitives, 3), m; the first corner of a triangle appears twice."""
    origin, u, v = surfaces.origin, surfaces.edge_u, surfaces.edge_v
    far = np.where(surfaces.is_triangle[:, None], 0.0, u + v)
    return np.stack([origin, origin + u, origin + v, origin + far])


def primitive_rows(surfaces: SurfaceArrays) -> np.ndarray:
    """(n_primitives, 13) float64: plane, u, v, limit, as `_wide` describes, enlarged by `OVERLAP`."""
    u_edge, v_edge = surfaces.edge_u, surfaces.edge_v
    cross = np.cross(u_edge, v_edge)
    twice_area = np.linalg.norm(cross, axis=1)
    normal = cross / twice_area[:, None]
    # Gradient of u is perpendicular to edge_v within the plane, with u = 1 at the end of edge_u; likewise v.
    grad_u = np.cross(v_edge, normal) / twice_area[:, None]
    grad_v = np.cross(normal, u_edge) / twice_area[:, None]
    start_u = -np.einsum("ij,ij->i", grad_u, surfaces.origin)
    start_v = -np.einsum("ij,ij->i", grad_v, surfaces.origin)

    e_u = OVERLAP * np.linalg.norm(grad_u, axis=1)
    e_v = OVERLAP * np.linalg.norm(grad_v, axis=1)
    e_w = OVERLAP * np.linalg.norm(grad_u + grad_v, axis=1)
    size_u = np.where(surfaces.is_triangle, 1 + e_u + e_v + e_w, 1 + 2 * e_u)
    size_v = np.where(surfaces.is_triangle, size_u, 1 + 2 * e_v)

    rows = np.empty((len(normal), 13))
    rows[:, 0:3] = normal
    rows[:, 3] = -np.einsum("ij,ij->i", normal, surfaces.origin)
    rows[:, 4:7] = grad_u / size_u[:, None]
    rows[:, 7] = (start_u + e_u) / size_u
    rows[:, 8:11] = grad_v / size_v[:, None]
    rows[:, 11] = (start_v + e_v) / size_v
    rows[:, 12] = np.where(surfaces.is_triangle, 1.0, 2.0)
    return rows


def _pack(rows: np.ndarray, members: np.ndarray) -> np.ndarray:
    """(n_packs, 13, 8) float32 of the primitives `members` (n_packs, 8), -1 in an empty slot."""
    slots = np.zeros((*members.shape, 13), np.float32)
    # An empty slot is a plane on which no point lies: its limit is below any u + v.
    slots[..., 2] = 1.0
    slots[..., 3] = 1e30
    slots[..., 12] = -1.0
    filled = members >= 0
    slots[filled] = rows[members[filled]]
    return slots.transpose(0, 2, 1)


def pack_geometry(surfaces: SurfaceArrays) -> Geometry:
    """The largest primitives in the first pack, a tree over all others.

    The first pack is tested for every ray. In most venues a few surfaces receive most of the hits (in a diffuse field,
    in proportion to their area), and their boxes in the tree would enclose many of the others. Where the largest
    receive less than half, as with walls divided into many patches, the first pack remains empty.
    """
    rows = primitive_rows(surfaces)
    corners = corners_of(surfaces)
    # Rounding of the slab test in single precision stays well below this, relative to the size of the venue.
    margin = 1e-6 * np.abs(corners).max() + 2 * OVERLAP
    lower, upper = corners.min(axis=0) - margin, corners.max(axis=0) + margin
    area = np.linalg.norm(np.cross(surfaces.edge_u, surfaces.edge_v), axis=1)
    area = np.where(surfaces.is_triangle, 0.5 * area, area)
    by_area = np.argsort(-area, kind="stable")
    n_first = WIDTH if area[by_area[:WIDTH]].sum() > FIRST_PACK_SHARE * area.sum() else 0
    largest, others = by_area[:n_first], np.sort(by_area[n_first:])

    nodes, children, leaves = _tree_over(lower[others], upper[others])
    members = np.full((1 + len(leaves), WIDTH), -1, np.int32)
    members[0, : len(largest)] = largest
    members[1:] = np.where(leaves >= 0, others[leaves], -1)
    return Geometry(
        nodes=on_lines(nodes.reshape(-1)),
        children=on_lines(children.reshape(-1)),
        packs=on_lines(_pack(rows, members).reshape(-1)),
        primitives=on_lines(members.reshape(-1)),
        normals=np.ascontiguousarray(rows[:, :3], dtype=np.float32),
        patch=surfaces.patch.astype(np.int32),
        mirror=surfaces.mirror.astype(np.int32),
    )


def _tree_over(lower: np.ndarray, upper: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Nodes (n_nodes, 6, 8) float32 and children (n_nodes, 8) int32 of the tree over boxes (n, 3), as in `Geometry`,
    and (n_leaves, 8) boxes in each leaf, -1 in an empty slot. The first leaf is pack 1."""
    if len(lower) == 0:
        none = np.empty((0, WIDTH), np.int32)
        return np.empty((0, 6, WIDTH), np.float32), none, none
    box_low, box_high, left, first, count, order = _tree.build_binary(lower, upper)
    child, wide_index = _tree.widen(box_low, box_high, left, count)
    is_filled = (child >= 0)[:, None, :]
    # An empty slot is a box that no ray can enter.
    low = np.nextafter(box_low[child].astype(np.float32), np.float32(-np.inf)).transpose(0, 2, 1)
    high = np.nextafter(box_high[child].astype(np.float32), np.float32(np.inf)).transpose(0, 2, 1)
    nodes = np.concatenate(
        [np.where(is_filled, low, np.float32(1e30)), np.where(is_filled, high, np.float32(-1e30))], axis=1
    )
    is_leaf = (child >= 0) & (wide_index < 0)
    leaf = child[is_leaf]
    place = first[leaf][:, None] + np.arange(WIDTH)
    filled = np.arange(WIDTH) < count[leaf][:, None]
    leaves = np.where(filled, order[np.minimum(place, len(order) - 1)], -1)
    children = np.maximum(wide_index, 0).astype(np.int32)
    children[is_leaf] = -2 - np.arange(len(leaf))
    return nodes, children, leaves
