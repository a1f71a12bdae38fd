"""What each scenario makes of each patch: reflected, scattered, transmitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..bands import N_BANDS
from ..elements.element import Element
from ..elements.finishes import Cloth, Finish, MaterialTable, Variation
from ..physics.air import Air
from ..venue.document import Study
from .scene import DIFFUSE, SPECULAR, TRANSMITTED, Patch


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
    table = MaterialTable(study.materials.material, study.materials.fabric, air, variation)
    put_up = {element.name: element.finish(table) for element in elements}
    return Finishes(table.surfaces, {name: finish for name, finish in put_up.items() if finish is not None})


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
            return _split(finishes.elements[covers[-1]]) if covers else nothing
        surface = finishes.materials[material_of[patch.group]]
        for name in covers:
            surface = finishes.elements[name].over(surface)
        return _split(surface)

    nothing = np.zeros((3, N_BANDS))
    nothing[TRANSMITTED] = 1.0

    factors = np.empty((len(patches), 3, len(switched_in), N_BANDS))
    for i, patch in enumerate(patches):
        known: dict[tuple[str, ...], np.ndarray] = {}
        for k, present in enumerate(switched_in):
            covers = tuple(name for name in patch.covers if name in present)
            if covers not in known:
                known[covers] = events(patch, covers)
            factors[i, :, k] = known[covers]
    return factors


def _split(finish: Finish | Cloth) -> np.ndarray:
    """(3, 8) share of the incident energy in each event."""
    events = np.empty((3, N_BANDS))
    events[SPECULAR] = finish.reflection * (1.0 - finish.scattering)
    events[DIFFUSE] = finish.reflection * finish.scattering
    events[TRANSMITTED] = finish.transmission
    return events
