"""Flat sheets that hang free, upright or level."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
import shapely
from pydantic import Field

from ..fields import Length, Point3
from .cloth import HungCloth
from .sheets import Sheet, axes_in_plan, level, upright


class Banner(HungCloth):
    """Flat sheets hanging free, upright or level."""

    kind = "banner"

    centres: Annotated[tuple[Point3, ...], Field(min_length=1)]
    """Middle of each sheet, m."""
    size: tuple[Length, Length]
    """Length along `direction` and width (or drop), m."""
    direction: Annotated[float, Field(ge=-360.0, le=360.0)] = 0.0
    """Of the length, degrees anticlockwise from x in plan."""
    orientation: Literal["upright", "level"] = "upright"
    """Upright sheets hang down by their width; level ones lie under the roof."""

    def free_sheets(self) -> list[Sheet]:
        """The sheet at each centre."""
        return [self._sheet(i) for i in range(len(self.centres))]

    def _sheet(self, i: int) -> Sheet:
        centre = np.array(self.centres[i])
        along, across = 0.5 * np.array(self.size)[:, None] * axes_in_plan(self.direction)
        piece = f"centre {i + 1}"
        if self.orientation == "upright":
            half = 0.5 * self.size[1]
            return upright(
                self.name, piece, centre[:2] - along, centre[:2] + along, centre[2] - half, centre[2] + half
            )
        outline = centre[:2] + np.array([-along - across, along - across, along + across, -along + across])
        return level(self.name, piece, outline, float(centre[2]))

    def place_in_plan(self) -> tuple[shapely.Geometry, float]:
        """The centres, and the highest edge."""
        drop = 0.5 * self.size[1] if self.orientation == "upright" else 0.0
        centres = np.array(self.centres)
        return shapely.MultiPoint(centres[:, :2]), float(centres[:, 2].max()) + drop
