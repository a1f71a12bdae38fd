"""Loudspeakers as the user describes them, with level, size and directivity of one box; and the built-in ones."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from roomsim.elements.roof import Kilograms
from roomsim.errors import DocumentError, unknown_name
from roomsim.fields import Decibel, Document, Model, Name
from roomsim.venue.parsing import read_document

Coverage = Annotated[float, Field(ge=1.0, le=360.0)]
Coverages = tuple[Coverage, Coverage, Coverage, Coverage, Coverage, Coverage, Coverage, Coverage]
Mouth = Annotated[float, Field(ge=0.01, le=5.0)]
RearLevel = Annotated[float, Field(ge=-200.0, le=0.0)]


# --- directivity ----------------------------------------------------------------------------------------


class Omnidirectional(Model):
    """The same in all directions."""

    kind: Literal["omnidirectional"]


class CosinePower(Model):
    """Pressure falls as a power of the cosine of the angle off axis, down to a level behind."""

    kind: Literal["cosine_power"]
    coverage: Coverages
    """Full angle between the -6 dB directions, degrees; 360 for a band without directivity."""
    rear_level: RearLevel = -20.0
    """Lowest level off axis, dB."""


class FirstOrder(Model):
    """Pressure and gradient together, the same at all frequencies: 1 omnidirectional, 0.5 cardioid."""

    kind: Literal["first_order"]
    omnidirectional_part: Annotated[float, Field(ge=0.0, le=1.0)]
    """a in a + (1 - a) cos(angle off axis)."""


class Piston(Model):
    """A round cone in the front of a box."""

    kind: Literal["piston"]
    radius: Annotated[float, Field(ge=0.005, le=2.0)]
    """Of the moving part, m."""
    rear_level: RearLevel = -20.0
    """Level behind relative to the side, dB, where the box is large compared with the wavelength."""


class LineElement(Model):
    """One box of a line: a uniform upright slot, with a waveguide for the horizontal."""

    kind: Literal["line_element"]
    height: Annotated[float, Field(ge=0.01, le=5.0)]
    """Of the slot, m."""
    coverage: Coverage
    """Horizontal, full angle between the -6 dB directions, degrees."""
    width: Mouth | None = None
    """Of the waveguide, m: it keeps the coverage angle down to about 25 000 / (degrees x metres) Hz.
    Without it the angle is the same at all frequencies."""
    rear_level: RearLevel = -20.0
    """Lowest level of the horizontal pattern, dB."""


class Horn(Model):
    """A waveguide with a horizontal and a vertical coverage angle."""

    kind: Literal["horn"]
    coverage: tuple[Coverage, Coverage]
    """Horizontal and vertical, as the box stands or lies: full angles between the -6 dB directions,
    degrees."""
    size: tuple[Mouth, Mouth] | None = None
    """Width and height of the mouth, m: they keep the angles down to about 25 000 / (degrees x metres) Hz.
    Without them the angles are the same at all frequencies."""
    rear_level: RearLevel = -20.0
    """Lowest level off axis, dB."""


class TabulatedPolar(Model):
    """Horizontal and vertical polars, or a full sphere, from a CSV file."""

    kind: Literal["tabulated"]
    file: Annotated[str, Field(min_length=1)]
    """CSV file, relative to the sources file; columns azimuth_deg, elevation_deg, f_hz, level_db."""


class MeasuredSphere(Model):
    """Complex pressure over the sphere from an AES69 file, convention FreeFieldDirectivityTF."""

    kind: Literal["sofa"]
    file: Annotated[str, Field(min_length=1)]
    """SOFA file, relative to the sources file."""


Directivity = Annotated[
    Omnidirectional
    | CosinePower
    | FirstOrder
    | Piston
    | LineElement
    | Horn
    | TabulatedPolar
    | MeasuredSphere,
    Field(discriminator="kind"),
]


# --- boxes ----------------------------------------------------------------------------------------------


def _octaves_or_thirds(levels: tuple[float, ...]) -> tuple[float, ...]:
    if len(levels) not in (8, 24):
        raise ValueError(
            "expected eight numbers in brackets, 63 Hz to 8 kHz, or twenty-four, the thirds from 50 Hz to "
            f"10 kHz; there are {len(levels)}"
        )
    return levels


BoxLevels = Annotated[tuple[Decibel, ...], AfterValidator(_octaves_or_thirds)]


class Loudspeaker(Model):
    """One box."""

    description: str = ""
    height: Annotated[float, Field(ge=0.01, le=5.0)]
    """Of the box, m: what it adds to a hang or a stack."""
    depth: Annotated[float, Field(ge=0.01, le=5.0)]
    """Of the box, m: a box turned round has its front this far behind the others."""
    width: Annotated[float, Field(ge=0.01, le=5.0)] | None = None
    """Of the box, m, for the check of zones to be kept clear; 1 m by default."""
    level: BoxLevels
    """Sound pressure level of one box at 1 m on axis in the free field, with the programme running: dB per
    octave, or dB per third from 50 Hz to 10 kHz."""
    level_at_31: Decibel | None = None
    """The same in the octave of 31.5 Hz, for maps of subs; without it these maps have no such band."""
    maximum_level: Decibel | None = None
    """Highest peak level of one box at 1 m on axis, dB, all bands together."""
    mass: Kilograms | None = None
    """kg of one box."""
    directivity: Directivity
    source: Annotated[str, Field(min_length=1)]
    """Where the figures come from: data sheet, measurement, "common practice", "estimate"."""


class LoudspeakersDocument(Document):
    """A file of boxes."""

    loudspeaker: dict[Name, Loudspeaker]


@cache
def built_in_loudspeakers() -> dict[str, Loudspeaker]:
    """The generic boxes that come with the package, none of them a product, each with the source of its figures.

    Raises
    ------
    DocumentError : the installation is damaged
    """
    path = Path(__file__).with_name("loudspeakers.toml")
    return read_document(path, "built-in loudspeakers.toml", LoudspeakersDocument)[0].loudspeaker


def find_loudspeaker(own: Mapping[str, Loudspeaker], name: str) -> Loudspeaker:
    """The box of this name; the user's own take precedence over the built-in ones.

    Raises
    ------
    DocumentError : there is none; the message lists similar names
    """
    known = {**built_in_loudspeakers(), **own}
    if name not in known:
        raise DocumentError(unknown_name("loudspeaker", name, known))
    return known[name]
