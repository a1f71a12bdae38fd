"""The lines of a floor plan as plain data, stored with the results and drawn in pictures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np

Point = Annotated[np.ndarray, (2,)]
Line = Annotated[np.ndarray, (None, 2)]
"""A polyline, or a polygon whose first corner is repeated as its last, m."""


@dataclass(frozen=True)
class Tier:
    """Audience areas of which none lies above another, drawn on one plan."""

    areas: tuple[int, ...]
    """Indices of the audience areas."""
    walls: tuple[Line, ...]
    """Sections through the mesh just above the floor and at ear height, and its outline."""
    laid: dict[str, tuple[Line, ...]]
    """Elements on its floor: element name -> closed polygons."""


@dataclass(frozen=True)
class PlanDrawing:
    """Lines of maps in plan, m."""

    tiers: tuple[Tier, ...]
    """Lowest first; more than one where seats lie above each other."""
    elements: dict[str, tuple[Line, ...]]
    """Elements drawn for all tiers: element name -> polylines (lines) or closed polygons (areas)."""
    zones: dict[str, Line]
    """Name -> closed polygon."""
    sources: dict[str, Point]
    noise: tuple[str, ...]
    """Names of those sources that are noise."""
    stage: tuple[float, float] | None
    north: float | None
    """Degrees anticlockwise from x."""

    def elements_on(self, *tiers: int) -> dict[str, tuple[Line, ...]]:
        """Element name -> lines on the plan of these tiers, for elements that have lines there."""
        shown = dict(self.elements)
        for tier in tiers:
            for name, lines in self.tiers[tier].laid.items():
                shown[name] = (*shown.get(name, ()), *lines)
        return {name: lines for name, lines in shown.items() if lines}
