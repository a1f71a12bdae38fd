"""Packing a scene's primitives for the kernels: single precision, eight to a vector, in a tree."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..scene.scene import SurfaceArrays
from . import _tree
from ._memory import on_lines
from ._plain import WIDTH

BRUTE_FORCE_BELOW = 24
"""Under this number of primitives testing all packs beats walking a tree."""

OVERLAP = 2e-5
"""m by which primitives are enlarged, so that no ray slips between neighbours: some ulp of single precision at
100 m."""


class Geometry(NamedTuple):
    """What the closest-hit kernels read. A NamedTuple, because numba takes it as one argument."""

    nodes: np.ndarray
    """(n_nodes * 48,) float32; empty for brute force."""
    children: np.ndarray
    """(n_nodes * 8,) int32: wide node, or -1 - pack for a leaf."""
    packs: np.ndarray
    """(n_packs * 104,) float32."""
    primitives: np.ndarray
    """(n_packs * 8,) int32, index into the scene's primitives."""
    normals: np.ndarray
    """(n_primitives, 3) float32, unit, either side."""
    patch: np.ndarray
    """(n_primitives,) int32."""
    mirror: np.ndarray
    """(n_primitives,) int32."""


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


def _pack(rows: np.ndarray, members: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    packs = np.zeros((len(members), 13, WIDTH), np.float32)
    # An empty slot is a plane that nothing can lie on: limit below any u + v.
    packs[:, 2] = 1.0
    packs[:, 3] = 1e30
    packs[:, 12] = -1.0
    primitives = np.full((len(members), WIDTH), -1, np.int32)
    for pack, ids, chosen in zip(packs, primitives, members):
        pack[:, : len(chosen)] = rows[chosen].T
        ids[: len(chosen)] = chosen
    return packs, primitives


def pack_geometry(
    surfaces: SurfaceArrays,
    *,
    leaf_size: int = WIDTH,
    node_cost: float = 0.4,
    brute_force: bool | None = None,
) -> Geometry:
    """Tree over all primitives, or plain packs if there are few.

    `brute_force` forces the choice, for tests and benchmarks.
    """
    n = surfaces.n_primitives
    rows = primitive_rows(surfaces)
    corners = np.stack(
        [
            surfaces.origin,
            surfaces.origin + surfaces.edge_u,
            surfaces.origin + surfaces.edge_v,
            surfaces.origin + np.where(surfaces.is_triangle[:, None], 0.0, surfaces.edge_u + surfaces.edge_v),
        ]
    )
    # Rounding of the slab test in single precision stays well below this, relative to the size of the venue.
    margin = 1e-6 * np.abs(corners).max() + 2 * OVERLAP
    lower, upper = corners.min(axis=0) - margin, corners.max(axis=0) + margin

    if brute_force is None:
        brute_force = n < BRUTE_FORCE_BELOW
    if brute_force:
        # Largest first: a near large wall shortens the ray for all later packs.
        order = np.argsort(-np.linalg.norm(np.cross(surfaces.edge_u, surfaces.edge_v), axis=1), kind="stable")
        members = [order[i : i + WIDTH] for i in range(0, n, WIDTH)]
        nodes = np.empty((0, 6, WIDTH), np.float32)
        children = np.empty((0, WIDTH), np.int32)
    else:
        box_low, box_high, left, first, count, order = _tree.build_binary(lower, upper, leaf_size, node_cost)
        wide, wide_index = _tree.widen(box_low, box_high, left, WIDTH)
        nodes = np.empty((len(wide), 6, WIDTH), np.float32)
        nodes[:, :3], nodes[:, 3:] = 1e30, -1e30
        children = np.zeros((len(wide), WIDTH), np.int32)
        members = []
        for i, kids in enumerate(wide):
            for slot, binary in enumerate(kids):
                if binary < 0:
                    continue
                nodes[i, :3, slot] = np.nextafter(box_low[binary].astype(np.float32), np.float32(-np.inf))
                nodes[i, 3:, slot] = np.nextafter(box_high[binary].astype(np.float32), np.float32(np.inf))
                if wide_index[i, slot] >= 0:
                    children[i, slot] = wide_index[i, slot]
                else:
                    members.append(order[first[binary] : first[binary] + count[binary]])
                    children[i, slot] = -len(members)
    packs, primitives = _pack(rows, members)
    return Geometry(
        nodes=on_lines(np.ascontiguousarray(nodes).reshape(-1)),
        children=on_lines(children.reshape(-1)),
        packs=on_lines(packs.reshape(-1)),
        primitives=on_lines(primitives.reshape(-1)),
        normals=np.ascontiguousarray(rows[:, :3], dtype=np.float32),
        patch=surfaces.patch.astype(np.int32),
        mirror=surfaces.mirror.astype(np.int32),
    )
