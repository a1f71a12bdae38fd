"""Cloth spread level under the roof."""

from __future__ import annotations

from typing import Annotated

import numpy as np
import shapely
from pydantic import Field

from ..fields import Coordinate, Polygon2
from .cloth import HungCloth
from .sheets import Sheet, level


class CeilingDrape(HungCloth):
    """Cloth spread level under the roof."""

    kind = "ceiling drape"

    polygon: Polygon2
    """Plan outline, m."""
    height: Coordinate
    """Of the cloth above zero level, m."""
    fullness: Annotated[float, Field(ge=1.0, le=4.0)] = 1.0
    """Area of cloth over area covered."""

    def free_sheets(self) -> list[Sheet]:
        """The cloth, as one sheet."""
        return [level(self.name, "cloth", np.array(self.polygon), self.height)]

    @property
    def fullness_and_stand_off(self) -> tuple[float, float | None]:
        """Fullness and stand-off of the cloth."""
        return self.fullness, None

    def place_in_plan(self) -> tuple[shapely.Geometry, float]:
        """The outline, and its height."""
        return shapely.Polygon(self.polygon), self.height
