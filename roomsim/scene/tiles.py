"""Division of large surfaces into tiles, so that paths record which part of a surface they met."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely

from ..elements.surfaces import Footprint
from .surfaces import Region

TILE = "tile "
"""Prefix of the names of tiles among the covers of a patch; no element has such a name."""


def tiles(regions: Sequence[Region], side: float) -> list[Footprint]:
    """Cut every region into parts of about `side` x `side` m along its plane's axes.

    Regions that are not much larger are not divided. A tile acts like an element that is in no scenario: it divides
    a surface into patches without changing them.
    """
    return [footprint for i, region in enumerate(regions) for footprint in _of_region(i, region, side)]


def _of_region(number: int, region: Region, side: float) -> Iterator[Footprint]:
    corners = region.plane.flatten(region.corners.reshape(-1, 3))
    low, high = corners.min(axis=0), corners.max(axis=0)
    n_u, n_v = (max(1, round(float(extent) / side)) for extent in high - low)
    if n_u * n_v < 2 or region.polygon.area < 1.5 * side**2:
        return
    u, v = np.linspace(low[0], high[0], n_u + 1), np.linspace(low[1], high[1], n_v + 1)
    # Points on the outer edge belong to the outer tile regardless of rounding.
    u[[0, -1]] += (-1.0, 1.0)
    v[[0, -1]] += (-1.0, 1.0)
    for k in range(n_u * n_v):
        a, b = divmod(k, n_v)
        shape = shapely.box(u[a], v[b], u[a + 1], v[b + 1])
        yield Footprint(f"{TILE}{number}/{k}", number, shape)
