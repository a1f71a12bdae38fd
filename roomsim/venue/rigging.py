"""Points and trusses to hang from, and what hangs from them."""

from __future__ import annotations

from math import dist
from typing import Annotated

from pydantic import Field, field_validator

from roomsim.venue.fields import SHORTEST, Model, Name, Point3

Kilograms = Annotated[float, Field(ge=0.0, le=1e6)]
"""The bound catches typing errors, and keeps all sums finite."""


class RoofPoint(Model):
    """A point in the roof, or on a truss, with the load that it may carry."""

    name: Name
    position: Point3
    """m."""
    limit: Kilograms | None = None
    """Largest load, kg, as stated by whoever is responsible for the roof; `point_load_limit` of the study unless
    given."""
    existing_load: Kilograms = 0.0
    """kg that already hang from it."""
    truss: Name | None = None
    """Truss or beam that it is on; the nearest one within 0.5 m in plan unless given."""


class Truss(Model):
    """A truss, beam or purlin that several points or lines share."""

    name: Name
    line: tuple[Point3, Point3]
    """Its two ends, m."""
    limit: Kilograms | None = None
    """Largest total load, kg; not checked unless given."""
    existing_load: Kilograms = 0.0
    """kg that already hang from it, such as lamps and heaters."""

    @field_validator("line")
    @classmethod
    def _two_ends(cls, line: tuple[Point3, Point3]) -> tuple[Point3, Point3]:
        if dist(*line) < SHORTEST:
            raise ValueError("its two ends are the same point")
        return line


class Hanging(Model):
    """Anything that may hang from the roof."""

    hang_from: Annotated[tuple[Name, ...], Field(max_length=64)] = ()
    """Names of the venue's roof points that carry it; unless given, the nearest points within 1 m in plan are
    assumed, if the venue lists any."""

    @field_validator("hang_from")
    @classmethod
    def _each_once(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        twice = [name for i, name in enumerate(names) if name in names[:i]]
        if twice:
            raise ValueError(f'"{twice[0]}" is named twice')
        return names

    def _count_named_points(self, key: str) -> None:
        """Set the number of points to that of the names, unless it is given.

        Raises
        ------
        ValueError : more points are named than the number allows
        """
        named = len(self.hang_from)
        if named and key not in self.model_fields_set:
            # The model is still being made, and nothing else refers to it yet.
            object.__setattr__(self, key, named)
        if named > getattr(self, key):
            raise ValueError(f"{key} says {getattr(self, key)}, but hang_from names {named}")
