"""Carpet, matting or staging on a floor."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..fields import Coordinate, Polygon2
from .element import Lines, PlanView, Surfacing
from .sheets import closed, level
from .surfaces import FLOOR_REACH, Covering, Surfaces


class FloorCovering(Surfacing):
    """Carpet, matting or staging laid on a floor."""

    kind = "floor covering"
    is_searched = True

    polygon: Polygon2
    """Plan outline, m."""
    floor: Coordinate = 0.0
    """Height of the floor that it covers, m."""

    def coverings(self, surfaces: Surfaces) -> Iterator[Covering]:
        """The floor under it."""
        sheet = level(self.name, "polygon", np.array(self.polygon), self.floor)
        yield surfaces.project(sheet, -FLOOR_REACH, FLOOR_REACH)

    def plan_lines(self, view: PlanView) -> dict[int | None, Lines]:
        """Its outline, on the tier whose floor is nearest in height."""
        return {view.tier_at(self.floor): (closed(self.polygon),)}
