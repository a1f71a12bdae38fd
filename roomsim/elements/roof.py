"""Points and trusses of a roof with their limits, and the static load of an object that hangs from them."""

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
"""m in plan within which an object is assumed to hang from a point or a truss unless it names its points."""
ON_TRUSS = 0.5
"""m in plan within which a point is assumed to be on a truss unless it names one."""
Kilograms = Annotated[float, Field(ge=0.0, le=1e6)]
"""The bound catches typing errors and keeps all sums finite."""


class RoofPoint(Model):
    """A point in the roof, or on a truss, with the load that it may carry."""

    name: Name
    position: Point3
    """m."""
    limit: Kilograms | None = None
    """Largest load, kg, from the person responsible for the roof; by default the study's `point_load_limit`."""
    existing_load: Kilograms = 0.0
    """Existing load, kg."""
    truss: Name | None = None
    """Truss or beam that it is on; by default the nearest one within 0.5 m in plan."""


class Truss(Model):
    """A truss, beam or purlin that several points or lines share."""

    name: Name
    line: tuple[Point3, Point3]
    """Its two ends, m."""
    limit: Kilograms | None = None
    """Largest total load, kg; not checked if absent."""
    existing_load: Kilograms = 0.0
    """Existing load, kg, such as lamps and heaters."""

    @field_validator("line")
    @classmethod
    def _two_ends(cls, line: tuple[Point3, Point3]) -> tuple[Point3, Point3]:
        if dist(*line) < SHORTEST:
            raise ValueError("its two ends are the same point")
        return line


class Hanging(Model):
    """An object that may hang from the roof."""

    hang_from: Annotated[tuple[Name, ...], Field(max_length=64)] = ()
    """Names of the venue's roof points that carry it. By default the nearest points within 1 m in plan are assumed, if
    the venue names any."""

    @field_validator("hang_from")
    @classmethod
    def _each_once(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        twice = [name for i, name in enumerate(names) if name in names[:i]]
        if twice:
            raise ValueError(f'"{twice[0]}" is named twice')
        return names

    def _count_named_points(self, key: str) -> None:
        """Set the number of points to the number of names, unless it is given.

        Raises
        ------
        ValueError : more points are named than the number allows
        """
        named = len(self.hang_from)
        if named and key not in self.model_fields_set:
            # The model is still under construction.
            object.__setattr__(self, key, named)
        if named > getattr(self, key):
            raise ValueError(f"{key} is {getattr(self, key)}, but hang_from names {named} points")


@dataclass(frozen=True)
class Load:
    """The load of an object that hangs from a number of points."""

    name: str
    what: str
    mass: float | None
    """kg, total; None if it is not stated."""
    points: int
    named: dict[str, float | None]
    """Point of the venue that carries it -> kg on it; None if the mass is not known."""
    is_assumed: bool
    """Whether the nearest points are assumed because none are named."""
    unnamed: int
    """Number of other points, which the venue does not describe."""
    on_unnamed: float | None
    """kg on the most heavily loaded of the other points; None if it is not known."""
    trusses: dict[str, float | None] = field(default_factory=dict)
    """Truss -> kg on it."""
    doubts: tuple[str, ...] = ()
    """Messages on points that are unsuitable."""

    @property
    def heaviest(self) -> float | None:
        """Largest load on one point, kg; None if it is not known."""
        known = [kilograms for kilograms in (*self.named.values(), self.on_unnamed) if kilograms is not None]
        return max(known, default=None)


class Roof:
    """The points and trusses of a venue, and the loads of the loudspeakers that hang there."""

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
        """The nearest truss along which a shape in plan lies, all of it within `reach`."""
        near = {
            name: line.distance(shape)
            for name, line in self._lines.items()
            if line.buffer(reach).covers(shape)
        }
        return min(near, key=lambda name: near[name], default=None)

    def carriers(self, shape: shapely.Geometry, top: float, n: int, named: Sequence[str]) -> tuple[str, ...]:
        """Points that carry an object with a given shape in plan: those named, or the nearest ones above it."""
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
