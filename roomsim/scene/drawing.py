"""What a map needs to be read: the lines of walls, elements, zones and sources in plan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class PlanDrawing:
    """Lines for maps, plan view, m."""

    walls: tuple[np.ndarray, ...]
    """(n, 2) polylines of the mesh cut at about ear height, and its outline."""
    elements: dict[str, tuple[np.ndarray, ...]]
    """Element name -> (n, 2) polylines (lines) or closed polygons (areas)."""
    zones: dict[str, np.ndarray]
    """Name -> (n, 2) closed polygon."""
    sources: dict[str, np.ndarray]
    """Name -> (2,) position."""
    stage: tuple[float, float] | None
    north: float | None
    """Degrees anticlockwise from x."""
