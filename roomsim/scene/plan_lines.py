"""The lines of a plan, as plain data: `scene.drawing` finds them, results keep them and pictures draw them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np

Point = Annotated[np.ndarray, (2,)]
Line = Annotated[np.ndarray, (None, 2)]
"""A polyline, or a polygon whose first corner comes again as its last, m."""


@dataclass(frozen=True)
class Tier:
    """Audience areas of which none lies above another: they share a plan."""

    areas: tuple[int, ...]
    """Indices of the audience areas."""
    walls: tuple[Line, ...]
    """Polylines of the mesh cut over its floor and at ear height, and its outline."""
    laid: dict[str, tuple[Line, ...]]
    """What is laid on its floor or sits there: element name -> closed polygons."""


@dataclass(frozen=True)
class PlanDrawing:
    """Lines for maps, plan view, m."""

    tiers: tuple[Tier, ...]
    """Lowest first; more than one where seats lie above each other."""
    elements: dict[str, tuple[Line, ...]]
    """What is seen from all tiers: element name -> polylines (lines) or closed polygons (areas)."""
    zones: dict[str, Line]
    """Name -> closed polygon."""
    sources: dict[str, Point]
    noise: tuple[str, ...]
    """Names of those sources that are noise."""
    stage: tuple[float, float] | None
    north: float | None
    """Degrees anticlockwise from x."""

    def elements_on(self, *tiers: int) -> dict[str, tuple[Line, ...]]:
        """Element name -> lines of what the plan of these tiers shows; what has no lines there is left out."""
        found = dict(self.elements)
        for tier in tiers:
            for name, lines in self.tiers[tier].laid.items():
                found[name] = (*found.get(name, ()), *lines)
        return {name: lines for name, lines in found.items() if lines}
