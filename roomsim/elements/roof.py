"""What a roof offers to hang from, and what hangs there.

Statics at rest: named points and trusses with their limits, and the load of one thing that hangs from them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import dist
from typing import Annotated

import numpy as np
import shapely
from pydantic import Field, field_validator

from ..fields import SHORTEST, Model, Name, Point3

REACH = 1.0
"""m in plan within which something is taken to hang from a point or a truss unless it names its points."""
ON_TRUSS = 0.5
"""m in plan within which a point is taken to be on a truss unless it names one."""
Kilograms = Annotated[float, Field(ge=0.0, le=1e6)]
"""The bound catches slips of the keyboard, and keeps all sums finite."""


class RoofPoint(Model):
    """A point in the roof, or on a truss, with the load that it may carry."""

    name: Name
    position: Point3
    """m."""
    limit: Kilograms | None = None
    """Largest load, kg, by whoever is responsible for the roof; the study's `point_load_limit` unless given."""
    existing_load: Kilograms = 0.0
    """kg that hang from it already."""
    truss: Name | None = None
    """Truss or beam that it is on; the nearest one within 0.5 m in plan unless given."""


class Truss(Model):
    """A truss, beam or purlin that several points or lines share."""

    name: Name
    line: tuple[Point3, Point3]
    """Its two ends, m."""
    limit: Kilograms | None = None
    """Largest load, kg, of all that hangs from it together; not checked unless given."""
    existing_load: Kilograms = 0.0
    """kg that hang from it already, such as lamps and heaters."""

    @field_validator("line")
    @classmethod
    def _two_ends(cls, line: tuple[Point3, Point3]) -> tuple[Point3, Point3]:
        if dist(*line) < SHORTEST:
            raise ValueError("its two ends are the same point")
        return line


class Hanging(Model):
    """What may hang in the roof."""

    hang_from: Annotated[tuple[Name, ...], Field(max_length=64)] = ()
    """Names of the venue's roof points that carry it. Without it the nearest points within 1 m in plan are
    assumed, if the venue names any."""

    @field_validator("hang_from")
    @classmethod
    def _each_once(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        twice = [name for i, name in enumerate(names) if name in names[:i]]
        if twice:
            raise ValueError(f'"{twice[0]}" is named twice')
        return names

    def _count_named_points(self, key: str) -> None:
        """Let as many points count as are named, unless a number is given.

        Raises
        ------
        ValueError : more points are named than the number allows
        """
        named = len(self.hang_from)
        if named and key not in self.model_fields_set:
            # Part of making the model, before anybody has it.
            object.__setattr__(self, key, named)
        if named > getattr(self, key):
            raise ValueError(f"{key} says {getattr(self, key)}, but hang_from names {named}")


@dataclass(frozen=True)
class Load:
    """What hangs from a number of points."""

    name: str
    what: str
    mass: float | None
    """kg, all of it; None where it is not stated."""
    points: int
    named: dict[str, float | None]
    """Points of the venue that carry it -> kg on them; None where the mass is not known."""
    is_assumed: bool
    """The points are not named but the nearest."""
    unnamed: int
    """Number of other points, of which the venue knows nothing."""
    on_unnamed: float | None
    """kg on the heaviest of the other points; None where it is not known."""
    trusses: dict[str, float | None] = field(default_factory=dict)
    """Truss -> kg on it."""
    doubts: tuple[str, ...] = ()
    """What is wrong with the points that it names, sentences."""

    @property
    def heaviest(self) -> float | None:
        """kg on one point; None where it is not known."""
        known = [kilograms for kilograms in (*self.named.values(), self.on_unnamed) if kilograms is not None]
        return max(known, default=None)


class Roof:
    """The points and trusses of a venue, and the loudspeakers that hang there."""

    def __init__(self, points: Iterable[RoofPoint], trusses: Iterable[Truss]) -> None:
        self.points = {point.name: point for point in points}
        self.trusses = {truss.name: truss for truss in trusses}
        self.sources: dict[str, Load] = {}
        """Source -> its load."""
        self._lines = {
            name: shapely.LineString(np.array(truss.line)[:, :2]) for name, truss in self.trusses.items()
        }
        self.truss_of = {
            name: point.truss or self._nearest_truss(shapely.Point(point.position[:2]), ON_TRUSS)
            for name, point in self.points.items()
        }
        """Point -> truss that it is on."""

    def _nearest_truss(self, shape: shapely.Geometry, reach: float) -> str | None:
        """The truss that a shape in plan lies along, all of it within reach."""
        near = {
            name: line.distance(shape)
            for name, line in self._lines.items()
            if line.buffer(reach).covers(shape)
        }
        return min(near, key=lambda name: near[name], default=None)

    def carriers(self, shape: shapely.Geometry, top: float, n: int, named: Sequence[str]) -> tuple[str, ...]:
        """Points that carry what lies at a shape in plan: those named, or the nearest above it."""
        if named:
            return tuple(named)
        distance = {
            name: shape.distance(shapely.Point(point.position[:2]))
            for name, point in self.points.items()
            if point.position[2] >= top - 0.01
        }
        near = sorted((metres, name) for name, metres in distance.items() if metres <= REACH)
        return tuple(name for _, name in near[:n])

    def on_trusses(
        self,
        named: Collection[str],
        shares: Mapping[str, float],
        mass: float | None,
        n: int,
        shape: shapely.Geometry,
    ) -> dict[str, float | None]:
        """kg on trusses: of the named points by their shares, of the others on the truss along the shape."""
        parts = [(self.truss_of[name], shares[name]) for name in named]
        if n > len(named):
            parts.append((self._nearest_truss(shape, REACH), (n - len(named)) / n))
        loads: dict[str, float | None] = {}
        for truss, share in parts:
            if truss is not None and share > 0.0:
                loads[truss] = None if mass is None else (loads.get(truss) or 0.0) + share * mass
        return loads
