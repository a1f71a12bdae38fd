"""Materials and fabrics of the materials file."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from ..fields import Fraction, Fractions, Model


class Material(Model):
    """A surface: random-incidence absorption and scattering per octave band."""

    description: str = ""
    absorption: Fractions
    """Random-incidence absorption coefficient (ISO 354). Where a laboratory reports more than 1, which is
    due to the edge effect, write 1."""
    scattering: Fractions
    """Random-incidence scattering coefficient (ISO 17497-1)."""
    source: Annotated[str, Field(min_length=1)]
    """Source of the figures: publication and table, laboratory report, "estimate"."""
    uncertainty: Fraction = 0.1
    """Relative standard uncertainty of the absorption."""


class MeasuredDrape(Model):
    """Tabulated absorption of one layer of a fabric as hung; corrects the computed one at and near this fullness and
    stand-off."""

    fullness: Annotated[float, Field(ge=1.0, le=4.0)]
    """Width of cloth over width hung."""
    stand_off: Annotated[float, Field(ge=0.0, le=10.0)]
    """Gap to the wall behind, m."""
    absorption: Fractions
    """Random-incidence absorption coefficient of the area hung."""
    source: Annotated[str, Field(min_length=1)]
    """Source of the figures."""


class Fabric(Model):
    """A fabric: the properties that determine its absorption and transmission."""

    description: str = ""
    flow_resistance: Annotated[float, Field(ge=0.1, le=1e6)]
    """Specific flow resistance of one layer, Pa s/m (ISO 9053-1)."""
    surface_mass: Annotated[float, Field(ge=0.001, le=100.0)]
    """kg/m2 of cloth."""
    scattering: Fractions = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.5)
    """Random-incidence scattering coefficient as hung."""
    source: Annotated[str, Field(min_length=1)]
    """Source of the figures."""
    uncertainty: Fraction = 0.1
    """Relative standard uncertainty of the absorption as hung; with `measured`, of the measured values."""
    measured: tuple[MeasuredDrape, ...] = ()
    """Measured absorption."""
