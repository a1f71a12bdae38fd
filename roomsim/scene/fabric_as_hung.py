"""Acoustic properties of a fabric as hung."""

from __future__ import annotations

from pathlib import Path

from ..elements.drape import Drape
from ..elements.finishes import Cloth
from ..fields import model_from
from ..physics.air import Air
from ..venue.materials import built_in_materials, find_fabric
from ..venue.reading import read_study


def drape(
    fabric: str,
    *,
    fullness: float = 1.0,
    stand_off: float | None = None,
    layers: int = 1,
    study: str | Path | None = None,
) -> Cloth:
    """Absorption, reflection and transmission of a fabric as it hangs, per octave band, as a run uses them.

    Parameters
    ----------
    fabric : name of a built-in fabric, or of one of the study's own
    fullness : width of cloth over width hung
    stand_off : m to the wall behind; None for cloth that hangs free in the room
    layers : 1 or 2
    study : path of a study whose own fabrics and air are to be used

    Returns
    -------
    Cloth : absorption before a rigid wall (None if free), reflection, transmission, scattering, (8,) each, and the
        relative standard uncertainty of the absorption

    Raises
    ------
    MaterialError : unknown fabric
    PhysicalRangeError : a value outside the physical range
    """
    described = None if study is None else read_study(study)
    materials = built_in_materials() if described is None else described.materials
    hung = model_from(
        Drape,
        # Position and size have no influence.
        name="sample", runs=(((0.0, 0.0), (1.0, 0.0)),), top=2.0, drop=1.0,
        fabric=fabric, fullness=fullness, stand_off=stand_off, layers=layers,
    )  # fmt: skip
    air = Air() if described is None else Air(**described.venue.air.model_dump())
    return hung.cloth(find_fabric(materials, fabric), air)
