"""The parts of a venue's surfaces that an element covers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol

from shapely.geometry.base import BaseGeometry

from .sheets import Sheet

FLOOR_REACH = 0.1
"""m by which the floor of an area may differ from its stated height."""
LEAST_SHARE = 0.5
"""Share of a piece that must lie on the surface it is meant for."""
FULL_SHARE = 0.98


@dataclass(frozen=True)
class Footprint:
    """The part of a flat region that an element covers."""

    element: str
    region: int
    shape: BaseGeometry | None
    """In the region's plane, reaching beyond its edges where the element does; None for all of it."""


@dataclass(frozen=True)
class Fit:
    """How well a piece of an element lies on the surface it is meant for."""

    element: str
    piece: str
    """Name of the piece: "run 1, segment 2", or the audience area."""
    share: float
    """Share of its area with a surface behind or under it."""
    distance: float
    """Mean distance of that surface, m; NaN without one."""


class Covering(NamedTuple):
    """The parts of surfaces that a piece of an element covers, and its fit if it can miss them."""

    prints: list[Footprint]
    fit: Fit | None = None


class Misfit(NamedTuple):
    """A fault in a fit."""

    code: str
    severity: Literal["error", "warning", "note"]
    text: str
    cure: str


class Surfaces(Protocol):
    """The surfaces of a venue, for elements to cover."""

    def groups(self, element: str, patterns: Sequence[str], who: str, file: str = "venue file") -> Covering:
        """All of the surface groups with these names or wildcards."""

    def project(self, sheet: Sheet, low: float, high: float) -> Covering:
        """Surfaces at a distance between `low` and `high`, m, along the normal of a sheet."""

    def audience(self, element: str, area: str) -> Covering:
        """The floor of an audience area."""
