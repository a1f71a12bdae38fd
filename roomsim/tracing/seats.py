"""Finding the seats that a ray passes: a plan grid of cells over the audience layer, each with its seats."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..scene.scene import ReceiverArrays
from ._plain import WIDTH

CELL_SIZE = 1.5
"""m. Smaller cells mean fewer seats tested in each and more cells walked."""


class SeatCells(NamedTuple):
    """Cell list. Cell (i, j) covers x from `origin[0]` + i * `cell_size`, y likewise; its index is i * shape[1] + j."""

    start: np.ndarray
    """(n_cells + 1,) int32, first pack of eight of each cell."""
    member: np.ndarray
    """(n_packs * 8,) int32, receiver; 0 in an empty slot."""
    spheres: np.ndarray
    """(n_packs * 32,) float32: per pack 4 rows of 8, centre x, y, z (m) and squared radius, -1 in an empty slot."""
    per_volume: np.ndarray
    """(n_receivers,) float32, 1/m3, one over the volume of each sphere."""
    origin: np.ndarray
    """(2,) float32, m."""
    layer: np.ndarray
    """(2,) float32, lowest and highest z of any sphere, m."""
    shape: np.ndarray
    """(2,) int32."""
    cell_size: np.float32


def build_cells(receivers: ReceiverArrays, radius: np.ndarray, cell_size: float = CELL_SIZE) -> SeatCells:
    """Cell list over all receivers; `radius` (n_receivers,) m."""
    position = receivers.position
    margin = 1e-3
    low = (position - radius[:, None]).min(axis=0) - margin
    high = (position + radius[:, None]).max(axis=0) + margin
    shape = np.ceil((high - low)[:2] / cell_size).astype(int)
    members: list[list[int]] = [[] for _ in range(int(shape.prod()))]
    for i, (p, r) in enumerate(zip(position, radius)):
        first = ((p[:2] - r - low[:2]) / cell_size).astype(int)
        last = ((p[:2] + r - low[:2]) / cell_size).astype(int)
        for x in range(first[0], last[0] + 1):
            for y in range(first[1], last[1] + 1):
                # Only cells that the circle really reaches.
                nearest = np.clip(
                    p[:2],
                    low[:2] + cell_size * np.array([x, y]),
                    low[:2] + cell_size * np.array([x + 1, y + 1]),
                )
                if ((nearest - p[:2]) ** 2).sum() <= (r + margin) ** 2:
                    members[x * shape[1] + y].append(i)
    packs = [cell[i : i + WIDTH] for cell in members for i in range(0, len(cell), WIDTH)]
    member = np.zeros((len(packs), WIDTH), np.int32)
    spheres = np.zeros((len(packs), 4, WIDTH), np.float32)
    spheres[:, 3] = -1.0
    for pack, (ids, rows) in zip(packs, zip(member, spheres)):
        ids[: len(pack)] = pack
        rows[:3, : len(pack)] = position[pack].T
        rows[3, : len(pack)] = radius[pack] ** 2
    return SeatCells(
        start=np.cumsum([0] + [-(-len(cell) // WIDTH) for cell in members]).astype(np.int32),
        member=member.reshape(-1),
        spheres=spheres.reshape(-1),
        per_volume=(3.0 / (4.0 * np.pi * radius**3)).astype(np.float32),
        origin=low[:2].astype(np.float32),
        layer=np.array([low[2], high[2]], dtype=np.float32),
        shape=shape.astype(np.int32),
        cell_size=np.float32(cell_size),
    )
