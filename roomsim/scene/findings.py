"""Findings of a check: a message with a place and a remedy."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from ..words import listed

Severity = Literal["error", "warning", "note"]
"""error: the study must not be run; warning: it runs, but results may be wrong; note: information."""


@dataclass(frozen=True)
class Finding:
    """One finding of a check."""

    code: str
    """Kind of finding, for programs: "hole", "zone_conflict", ..."""
    severity: Severity
    place: str
    """Surface, element, seat or source that it concerns."""
    text: str
    """What is wrong, in one or two sentences."""
    cure: str
    """What to do about it; empty for mere information."""
    position: tuple[float, float, float] | None = None
    """A point to look at, m."""
    elements: tuple[str, ...] = ()
    """Elements that it concerns: scenarios without any of them are not affected."""
    sources: tuple[str, ...] = ()
    """Sources that it concerns: scenarios in which none of them plays are not affected."""


def point_text(point: Iterable[float]) -> str:
    """A position in a sentence: (12.30, 4.00, 1.20)."""
    return "(" + ", ".join(f"{float(x) + 0.0:.2f}" for x in point) + ")"


def list_text(names: Iterable[str], most: int = 4) -> str:
    """Names in a sentence; of a long list the first few and the number of the others."""
    return listed(map(repr, names), most)


def as_position(point: Iterable[float]) -> tuple[float, float, float]:
    """A point as stored in a finding, without rounding noise and negative zeros."""
    x, y, z = (round(float(c), 6) + 0.0 for c in point)
    return x, y, z
