"""What a check found: in words, with a place and a cure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from ..words import listed

Severity = Literal["error", "warning", "note"]
"""error: not to be run so; warning: it runs, but the figures may be wrong; note: worth knowing."""


@dataclass(frozen=True)
class Finding:
    """One thing that a check found."""

    code: str
    """What kind of thing, for programs: "hole", "zone_conflict", ..."""
    severity: Severity
    place: str
    """Surface, element, seat or source that it is about."""
    text: str
    """What is wrong, one or two sentences."""
    cure: str
    """What to do about it; empty for mere information."""
    position: tuple[float, float, float] | None = None
    """A point to look at, m."""
    elements: tuple[str, ...] = ()
    """Elements that it is about: a scenario without them is not touched by it."""
    sources: tuple[str, ...] = ()
    """Sources that it is about: a scenario in which they are silent is not touched by it."""


def point_text(point: Iterable[float]) -> str:
    """A position as it stands in a sentence: (12.30, 4.00, 1.20)."""
    return "(" + ", ".join(f"{float(x) + 0.0:.2f}" for x in point) + ")"


def list_text(names: Iterable[str], most: int = 4) -> str:
    """Names as they stand in a sentence; of many the first few and how many more."""
    return listed(map(repr, names), most)


def as_position(point: Iterable[float]) -> tuple[float, float, float]:
    """A point as a finding holds it, without rounding noise and negative zeros."""
    x, y, z = (round(float(c), 6) + 0.0 for c in point)
    return x, y, z
