"""What each scenario makes of each patch: reflected, scattered, transmitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from ..bands import N_BANDS
from ..physics.absorption import (
    FORMULA_UNCERTAINTY,
    MeasuredRow,
    corrected_by_rows,
    drape_on_wall,
    free_sheet,
    over_wall,
)
from ..physics.air import Air
from ..venue.document import (
    Banner,
    CeilingDrape,
    Crowd,
    Drape,
    Element,
    Fabric,
    FloorCovering,
    Material,
    Opening,
    Study,
)
from .scene import DIFFUSE, SPECULAR, TRANSMITTED, Patch

LARGEST_ABSORPTION = 0.99
"""Of anything but an opening: measured values of 1 and more are edge effect of the reverberation room."""


@dataclass(frozen=True)
class Finish:
    """An opaque surface: absorption and scattering, (8,) each."""

    absorption: np.ndarray
    scattering: np.ndarray


class Variation(Protocol):
    """Absorption as it may be in place of what is stated; see `variation.py`."""

    def material(self, name: str, absorption: np.ndarray) -> np.ndarray:
        """(8,) of a material whose stated absorption is given."""

    def fabric(self, name: str, absorption: np.ndarray, uncertainty: float) -> np.ndarray:
        """(8,) of a fabric as it hangs, with its relative standard uncertainty."""


@dataclass(frozen=True)
class Cloth:
    """What a drape makes of the sound that meets it, (8,) each."""

    absorption_on_wall: np.ndarray | None
    """On a rigid wall; None for cloth that hangs free."""
    reflection: np.ndarray
    transmission: np.ndarray
    scattering: np.ndarray
    uncertainty: float
    """Relative standard uncertainty of the absorption."""


def finish_of(material: Material) -> Finish:
    """The surface of a material.

    A material that absorbs everything in every band is an opening and reflects nothing. Any other value is
    held to 0 .. `LARGEST_ABSORPTION`.
    """
    absorption = np.array(material.absorption)
    is_open = (absorption >= 1.0).all()
    absorption = np.ones(N_BANDS) if is_open else np.clip(absorption, 0.0, LARGEST_ABSORPTION)
    return Finish(absorption, np.clip(np.array(material.scattering), 0.0, 1.0))


def cloth_of(element: Drape | Banner | CeilingDrape, fabric: Fabric, air: Air) -> Cloth:
    """The cloth of an element as it hangs; measured rows of the fabric correct the formula on a wall.

    The fabric's uncertainty is that of its rows where there are any, and the formula's comes on top as far as no row
    tells of the way it hangs; of a fabric without rows it holds as stated.
    """
    fullness = 1.0 if isinstance(element, Banner) else element.fullness
    hung = (fabric.flow_resistance, fabric.surface_mass)
    reflection, transmission = free_sheet(*hung, fullness=fullness, layers=element.layers, air=air)
    on_wall, trust = None, 0.0
    if isinstance(element, Drape) and element.stand_off is not None:
        if element.layers == 1:
            rows = tuple(MeasuredRow(row.stand_off, row.fullness, row.absorption) for row in fabric.measured)
            on_wall, trust = corrected_by_rows(*hung, element.stand_off, fullness, rows, air)
        else:
            on_wall = drape_on_wall(*hung, element.stand_off, fullness, element.layers, air)
        on_wall = np.clip(on_wall, 0.0, LARGEST_ABSORPTION)
    unknown = (1.0 - trust) * FORMULA_UNCERTAINTY if fabric.measured else 0.0
    uncertainty = float(np.hypot(fabric.uncertainty, unknown))
    return Cloth(on_wall, reflection, transmission, np.array(fabric.scattering), uncertainty)


@dataclass(frozen=True)
class Finishes:
    """All surfaces that a study speaks of."""

    materials: dict[str, Finish]
    """Material -> surface."""
    elements: dict[str, Finish | Cloth]
    """Element -> what it puts on or before a surface, or hangs in the room."""


def finishes_of(study: Study, elements: Sequence[Element], variation: Variation | None = None) -> Finishes:
    """The surfaces of a study's materials and elements, as stated or as `variation` has them."""
    air = Air(**study.venue.air.model_dump())
    materials, fabrics = study.materials.material, study.materials.fabric
    surfaces = {name: finish_of(material) for name, material in materials.items()}
    if variation is not None:
        surfaces = {
            name: replace(
                finish, absorption=_held(variation.material(name, finish.absorption), finish.absorption)
            )
            for name, finish in surfaces.items()
        }
    put_up: dict[str, Finish | Cloth] = {}
    for element in elements:
        if isinstance(element, Drape | Banner | CeilingDrape):
            cloth = cloth_of(element, fabrics[element.fabric], air)
            put_up[element.name] = (
                cloth if variation is None else _varied_cloth(cloth, element.fabric, variation)
            )
        elif isinstance(element, FloorCovering | Opening | Crowd):
            put_up[element.name] = surfaces[element.material]
    return Finishes(surfaces, put_up)


def _held(varied: np.ndarray, stated: np.ndarray) -> np.ndarray:
    """Nothing but an opening absorbs all."""
    return np.where(stated >= 1.0, 1.0, np.clip(varied, 0.0, LARGEST_ABSORPTION))


def _varied_cloth(cloth: Cloth, fabric: str, variation: Variation) -> Cloth:
    on_wall = cloth.absorption_on_wall
    if on_wall is not None:
        on_wall = np.clip(variation.fabric(fabric, on_wall, cloth.uncertainty), 0.0, LARGEST_ABSORPTION)
    # What a free cloth absorbs more, it reflects and lets through less, both in the same proportion.
    left = cloth.reflection + cloth.transmission
    share = np.divide(
        1.0 - variation.fabric(fabric, 1.0 - left, cloth.uncertainty),
        left,
        out=np.ones(N_BANDS),
        where=left > 0.0,
    )
    return replace(
        cloth,
        absorption_on_wall=on_wall,
        reflection=cloth.reflection * share,
        transmission=cloth.transmission * share,
    )


def scenario_factors(
    patches: Sequence[Patch],
    material_of: Mapping[str, str],
    switched_in: Sequence[frozenset[str]],
    finishes: Finishes,
) -> np.ndarray:
    """The table `Scene.factors`.

    A surface starts as its group's material; the elements switched in change it in turn, lowest first: a
    material replaces what is below, a drape before a wall adds to what the wall absorbs. Where sheets lie in
    one place the last one counts; where none is switched in, sound passes.

    Parameters
    ----------
    material_of
        Surface group -> material.
    switched_in : (n_scenarios,)
        Names of the elements of each scenario.
    finishes
        Of all materials and elements named.

    Returns
    -------
    (n_patches, 3, n_scenarios, 8) float64
    """

    def events(patch: Patch, covers: tuple[str, ...]) -> np.ndarray:
        if patch.is_sheet:
            return _sheet(finishes.elements[covers[-1]]) if covers else _nothing()
        surface = finishes.materials[material_of[patch.group]]
        for name in covers:
            cover = finishes.elements[name]
            surface = cover if isinstance(cover, Finish) else _draped(surface, cover)
        return _split(1.0 - surface.absorption, surface.scattering, 0.0)

    factors = np.empty((len(patches), 3, len(switched_in), N_BANDS))
    for i, patch in enumerate(patches):
        known: dict[tuple[str, ...], np.ndarray] = {}
        for k, present in enumerate(switched_in):
            covers = tuple(name for name in patch.covers if name in present)
            if covers not in known:
                known[covers] = events(patch, covers)
            factors[i, :, k] = known[covers]
    return factors


def _draped(wall: Finish, cloth: Cloth) -> Finish:
    assert cloth.absorption_on_wall is not None
    return Finish(over_wall(cloth.absorption_on_wall, wall.absorption), cloth.scattering)


def _sheet(cloth: Finish | Cloth) -> np.ndarray:
    assert isinstance(cloth, Cloth)
    return _split(cloth.reflection, cloth.scattering, cloth.transmission)


def _nothing() -> np.ndarray:
    return _split(np.zeros(N_BANDS), np.zeros(N_BANDS), 1.0)


def _split(reflected: np.ndarray, scattering: np.ndarray, transmitted: np.ndarray | float) -> np.ndarray:
    """(3, 8) share of the incident energy in each event."""
    events = np.empty((3, N_BANDS))
    events[SPECULAR] = reflected * (1.0 - scattering)
    events[DIFFUSE] = reflected * scattering
    events[TRANSMITTED] = transmitted
    return events
