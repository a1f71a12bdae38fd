"""Shares of the incident energy that each patch reflects, scatters and transmits in each scenario."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from ..bands import N_BANDS
from ..elements.finishes import Cloth, Finish, MaterialTable, Variation
from ..physics.air import Air
from ..venue.document import Study
from ..venue.mesh import match_surfaces
from .scene import DIFFUSE, SPECULAR, TRANSMITTED, Patch


def material_table(study: Study, variation: Variation | None = None) -> MaterialTable:
    """The materials and fabrics of a study, with stated or varied absorption."""
    air = Air(**study.venue.air.model_dump())
    return MaterialTable(study.materials.material, study.materials.fabric, air, variation)


def scenario_factors(
    study: Study,
    patches: Sequence[Patch],
    element_sets: Sequence[Collection[str]],
    variation: Variation | None = None,
) -> np.ndarray:
    """The table `Scene.factors`.

    A surface starts as its group's material; the elements that are present modify it in turn, lowest first: a
    material replaces the one below, a drape in front of a wall adds to the absorption of the wall. Where sheets
    coincide the last one counts; where none is present, sound passes.

    Parameters
    ----------
    element_sets : (n_scenarios,)
        Names of the elements of each scenario.
    variation
        Varies the stated absorption.

    Returns
    -------
    (n_patches, 3, n_scenarios, 8) float64
    """
    table = material_table(study, variation)
    material_of = dict(zip(study.mesh.group_names, match_surfaces(study.mesh, study.venue)))
    covering = {name for patch in patches for name in patch.covers}
    elements = [element for element in study.elements.all() if element.name in covering]
    finishes = {element.name: finish for element in elements if (finish := element.finish(table)) is not None}

    nothing = np.zeros((3, N_BANDS))
    nothing[TRANSMITTED] = 1.0

    def events(patch: Patch, covers: tuple[str, ...]) -> np.ndarray:
        if patch.is_sheet:
            return _split(finishes[covers[-1]]) if covers else nothing
        surface = table.surfaces[material_of[patch.group]]
        for name in covers:
            surface = finishes[name].over(surface)
        return _split(surface)

    present = [frozenset(names) for names in element_sets]
    factors = np.empty((len(patches), 3, len(present), N_BANDS))
    for i, patch in enumerate(patches):
        known: dict[tuple[str, ...], np.ndarray] = {}
        for k, names in enumerate(present):
            covers = tuple(name for name in patch.covers if name in names)
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
