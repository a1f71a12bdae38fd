"""Tiers of seats: audience areas that can share one plan."""

from __future__ import annotations

import numpy as np
import shapely

from .scene import ReceiverArrays

CLEAR = 1.0
"""m; seats with a smaller difference in height belong to steps of one floor."""
SHARE_HIDDEN = 0.25
"""Share of a seat's rectangle that another must cover to hide it: neighbours at the edges of two areas overlap a
little."""


def seat_tiers(receivers: ReceiverArrays) -> tuple[tuple[int, ...], ...]:
    """Indices of the audience areas that share a plan, lowest first, so that no seat hides another.

    An area is never divided, however steep. Areas are combined in the order of their heights, those nearest to each
    other first, as long as no seat of one lies above a seat of another. If none does, all share one plan.
    """
    hiding = _hiding(receivers)
    heights = [receivers.position[receivers.area == i, 2] for i in range(len(receivers.area_names))]
    # Sorting is stable: areas of one height keep the order of the file.
    tiers = [[i] for i in sorted(range(len(heights)), key=lambda i: float(heights[i].mean()))]
    while True:
        gaps = {
            k: min(heights[i].min() for i in tiers[k + 1]) - max(heights[i].max() for i in tiers[k])
            for k in range(len(tiers) - 1)
            if not any((i, j) in hiding for i in tiers[k] for j in tiers[k + 1])
        }
        if not gaps:
            return tuple(tuple(sorted(tier)) for tier in tiers)
        nearest = min(gaps, key=lambda k: gaps[k])
        tiers[nearest : nearest + 2] = [tiers[nearest] + tiers[nearest + 1]]


def _hiding(receivers: ReceiverArrays) -> set[tuple[int, int]]:
    """Pairs of areas, both ways round, of which a seat of one hides a seat of the other in plan."""
    area, height = receivers.area, receivers.position[:, 2]
    if len(receivers.area_names) == 1:
        return set()
    cells = shapely.polygons(receivers.cell)
    one, other = shapely.STRtree(cells).query(cells, predicate="intersects")
    apart = (area[one] < area[other]) & (np.abs(height[one] - height[other]) > CLEAR)
    one, other = one[apart], other[apart]
    smaller = np.minimum(shapely.area(cells[one]), shapely.area(cells[other]))
    covered = shapely.area(shapely.intersection(cells[one], cells[other])) > SHARE_HIDDEN * smaller
    pairs = {(int(i), int(j)) for i, j in zip(area[one[covered]], area[other[covered]], strict=True)}
    return pairs | {(j, i) for i, j in pairs}
