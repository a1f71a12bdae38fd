"""The tree of boxes over packs of eight seats in which the seats that a ray passes are searched."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..scene.scene import ReceiverArrays
from ._memory import on_lines
from ._plain import WIDTH

MARGIN = 1e-3
"""m by which boxes are larger than their spheres: far more than the rounding of single precision in any venue."""
_EMPTY = 1e30


class SeatTree(NamedTuple):
    """Every seat in one pack of eight; above, levels of nodes that hold the boxes of eight children each, up to a
    single root. The children of node i of a level are nodes 8 i to 8 i + 7 of the next, or packs under the last level.
    """

    boxes: np.ndarray
    """(n_nodes * 48,) float32, level by level: per node 6 rows of 8, low x, y, z and high x, y, z (m)."""
    level: np.ndarray
    """(n_levels + 1,) int64, first node of each level."""
    member: np.ndarray
    """(n_packs * 8,) int32, receiver; 0 in an empty slot."""
    spheres: np.ndarray
    """(n_packs * 32,) float32: per pack 4 rows of 8, centre x, y, z (m) and squared radius, -1 in an empty slot."""
    per_volume: np.ndarray
    """(n_packs * 8,) float32, 1/m3, one over the volume of each sphere."""
    layer: np.ndarray
    """(2,) float32, lowest and highest z of any sphere, m."""


def build_tree(receivers: ReceiverArrays, radius: np.ndarray) -> SeatTree:
    """Tree over all receivers; `radius` (n_receivers,) m."""
    n = len(radius)
    unit = WIDTH
    while unit * WIDTH < n:
        unit *= WIDTH
    n_packs = -(-n // WIDTH)
    members = np.full(n_packs * WIDTH, -1)
    members[:n] = _in_groups(receivers.position, np.arange(n), unit)
    is_filled = members >= 0
    position, radius = receivers.position[members], radius[members]
    spheres = np.concatenate([position, np.where(is_filled, radius**2, -1.0)[:, None]], axis=1)
    reach = np.where(is_filled, radius + MARGIN, -_EMPTY)[:, None]
    low, high = position - reach, position + reach
    layer = np.array([low[:, 2].min(), high[:, 2].max()])

    levels: list[np.ndarray] = []
    low, high = (x.reshape(n_packs, WIDTH, 3) for x in (low, high))
    while not levels or len(levels[0]) > 1:
        boxes = np.stack([low.min(axis=1), high.max(axis=1)], axis=1)
        n_nodes = -(-len(boxes) // WIDTH)
        # An empty slot is a box that no ray can enter.
        nodes = np.tile([[_EMPTY], [-_EMPTY]], (n_nodes * WIDTH, 1, 3))
        nodes[: len(boxes)] = boxes
        nodes = nodes.reshape(n_nodes, WIDTH, 2, 3)
        low, high = nodes[:, :, 0], nodes[:, :, 1]
        levels.insert(0, nodes.transpose(0, 2, 3, 1))
    return SeatTree(
        boxes=on_lines(np.concatenate(levels).astype(np.float32).reshape(-1)),
        level=np.cumsum([0, *map(len, levels)]),
        member=np.where(is_filled, members, 0).astype(np.int32),
        spheres=on_lines(spheres.reshape(n_packs, WIDTH, 4).transpose(0, 2, 1).astype(np.float32).reshape(-1)),
        per_volume=(3.0 / (4.0 * np.pi * radius**3)).astype(np.float32),
        layer=layer.astype(np.float32),
    )


def _in_groups(position: np.ndarray, seats: np.ndarray, unit: int) -> np.ndarray:
    """The seats in an order in which every group of `unit`, every one of unit / 8 in it, and so on down to eight, lies
    close together: halved across the longer side, as in a k-d tree (Bentley, Multidimensional binary search trees used
    for associative searching, 1975), but for whole groups.
    """
    n_groups = -(-len(seats) // unit)
    if n_groups <= 1:
        return seats if unit == WIDTH else _in_groups(position, seats, unit // WIDTH)
    axis = np.ptp(position[seats], axis=0).argmax()
    along = seats[np.argsort(position[seats, axis], kind="stable")]
    middle = n_groups // 2 * unit
    return np.concatenate([_in_groups(position, half, unit) for half in (along[:middle], along[middle:])])
