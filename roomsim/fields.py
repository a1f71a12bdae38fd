"""Types of the fields in description files: numbers with bounds, points, levels, outlines."""

from __future__ import annotations

from itertools import pairwise
from math import dist
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Discriminator, Field, Tag, ValidationError

from roomsim.errors import PhysicalRangeError, unprintable

Fraction = Annotated[float, Field(ge=0.0, le=1.0)]
NotNegative = Annotated[float, Field(ge=0.0, le=1e9)]
"""Money, weight, hours; the bound is far above any real value and keeps sums in range."""
Length = Annotated[float, Field(ge=0.01, le=1000.0)]
"""m, size of an object."""
Coordinate = Annotated[float, Field(ge=-1e6, le=1e6)]
"""m. The bound catches typing errors and wrong units, and keeps all geometry in range."""
Point2 = tuple[Coordinate, Coordinate]
Point3 = tuple[Coordinate, Coordinate, Coordinate]
Decibel = Annotated[float, Field(ge=-200.0, le=200.0)]
Levels = tuple[Decibel, Decibel, Decibel, Decibel, Decibel, Decibel, Decibel, Decibel]
"""Eight levels, 63 Hz to 8 kHz, dB; -200 means no sound in a band."""
Fractions = tuple[Fraction, Fraction, Fraction, Fraction, Fraction, Fraction, Fraction, Fraction]
"""Eight shares from 0 to 1, 63 Hz to 8 kHz."""


def _on_one_line(name: str) -> str:
    if unprintable(name):
        raise ValueError("a name must be on one line, without tabs")
    return name


Name = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_on_one_line)]


LEAST_SPACING, MOST_SPACING = 0.1, 10.0
"""m between seats (common practice, no source). A spacing in millimetres, centimetres or inches lies outside."""
UNITS = {"mm": ("millimetres", 0.001), "cm": ("centimetres", 0.01), "in": ("inches", 0.0254), "ft": ("feet", 0.3048)}
"""Units that are used by mistake: name, and length in m (inch and foot by the agreement of 1959)."""


def _seat_distance(spacing: float) -> float:
    if not LEAST_SPACING <= spacing <= MOST_SPACING:
        text = f"seats are {LEAST_SPACING:g} to {MOST_SPACING:g} m apart, got {spacing:g} m"
        likely = [(name, spacing * metres) for name, metres in UNITS.values() if 0.4 <= spacing * metres <= 2.5]
        if likely:
            name, distance = likely[0]
            text += f"; probably {name}: write {distance:.4g}"
        raise ValueError(text)
    return spacing


SeatDistance = Annotated[float, Field(ge=0.0), AfterValidator(_seat_distance)]


def _form_of_noise(value: Any) -> str:
    if isinstance(value, str):
        return "name"
    return "names" if isinstance(value, list | tuple) and value and isinstance(value[0], str) else "levels"


NoiseSpectrum = Annotated[
    Annotated[Levels, Tag("levels")]
    | Annotated[Name, Tag("name")]
    | Annotated[tuple[Name, ...], Tag("names")],
    Discriminator(_form_of_noise),
]
"""Noise as eight levels, as a curve ("NR 35") or a spectrum by its name, or as the sum of several."""

SHORTEST = 1e-3
"""m. Two points of a path or polygon closer than this are one point written twice."""


def _with_length(path: tuple[Point2, ...]) -> tuple[Point2, ...]:
    for i, (start, end) in enumerate(pairwise(path)):
        if dist(start, end) < SHORTEST:
            raise ValueError(f"points {i + 1} and {i + 2} are the same point; leave one of them out")
    return path


def _simple(polygon: tuple[Point2, ...]) -> tuple[Point2, ...]:
    # Imported here because it takes long, and many commands read a study without a polygon.
    from shapely import Polygon
    from shapely.validation import explain_validity

    corners = polygon[:-1] if dist(polygon[0], polygon[-1]) < SHORTEST else polygon
    if len(corners) < 3:
        raise ValueError("a polygon needs at least three corners besides the repeated first one")
    _with_length(corners)
    shape = Polygon(corners)
    if not shape.is_valid:
        where = explain_validity(shape).partition("[")[2].rstrip("]")
        near = f" near ({', '.join(where.split())})" if where else ""
        raise ValueError(
            f"the outline crosses or touches itself{near}; list the corners in order round the edge"
        )
    if shape.area < SHORTEST:
        raise ValueError("the outline encloses no area; its corners lie on one line")
    return corners


Path2 = Annotated[tuple[Point2, ...], Field(min_length=2), AfterValidator(_with_length)]
Polygon2 = Annotated[tuple[Point2, ...], Field(min_length=3), AfterValidator(_simple)]
"""Corners in order round the edge, either way; the first one may be repeated at the end."""


class Model(BaseModel):
    """Base of all models: unknown keys and infinite numbers are refused, and a model cannot be changed."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, use_attribute_docstrings=True)


class Document(Model):
    """Base of all description files."""

    schema_version: Literal[1] = Field(alias="schema", description="Version of this file format.")


SomeModel = TypeVar("SomeModel", bound=Model)


def model_from(model: type[SomeModel], **values: object) -> SomeModel:
    """A model from values that do not come from a file.

    Raises
    ------
    PhysicalRangeError : the first value that the model does not allow
    """
    try:
        return model.model_validate(values)
    except ValidationError as fault:
        first = fault.errors()[0]
        raise PhysicalRangeError(f"{first['loc'][0]} = {first['input']!r}: {first['msg']}.") from fault
