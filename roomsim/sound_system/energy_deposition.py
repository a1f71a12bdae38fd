"""Where the energy of each source goes: the shares that first reach the audience, the stage, walls and roof."""

from __future__ import annotations

import fnmatch
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..scene.receivers import area_outline, within
from ..scene.scene import Scene
from ..tracing.emission import source_power
from ..tracing.energy_deposition import EnergyDeposition, deposition_along, first_deposition
from ..tracing.geometry import Geometry, pack_geometry
from ..venue.document import Study

PARTS = ("audience", "stage", "walls", "roof", "drape", "other")
"""Parts of a venue. "drape" is free-hanging cloth; cloth in front of a wall belongs to the wall. "other" is open floor,
furniture, and energy that leaves through gaps."""
AUDIENCE, STAGE, WALLS, ROOF, DRAPE, OTHER = range(len(PARTS))

LEVEL = np.cos(np.radians(45.0))
"""Limit of the vertical component of a normal: surfaces below it are walls, those above it floor or roof."""
BATCHES, RAYS = 16, 4096
HIGHEST = 0.3
"""m above the floor of an audience area up to which a point on a surface counts as audience."""


@dataclass(frozen=True)
class DepositionShares:
    """Shares of the radiated energy by the part of the venue that it reaches first."""

    share: np.ndarray
    """(n_sources, n_parts, 8) float64, in the order of `PARTS`; the parts of a source add up to 1."""
    standard_error: np.ndarray
    """Of the share, with the same shape; from independent batches of rays."""
    whole_system: np.ndarray
    """(n_parts, 8) shares of all these sources together, weighted by their radiated power."""


def energy_deposition(
    scene: Scene,
    study: Study,
    scenario: int = 0,
    sources: Sequence[int] | None = None,
) -> DepositionShares:
    """Trace the energy of every source to the first surface.

    The energy leaves the middle of the source with its far-field pattern, along straight lines. The audience is the
    floor of the audience areas, where the audience absorbs in the traced scene.

    Parameters
    ----------
    scenario : index, which determines the free-hanging cloth that is present
    sources : indices, by default all; the rows of the result follow them

    Raises
    ------
    SceneError, MeshError : an audience area without floor
    """
    geometry = pack_geometry(scene.surfaces)
    chosen = list(range(len(scene.sources.names)) if sources is None else sources)
    parts = VenueParts(scene, study)
    sums = np.zeros((BATCHES, len(chosen), len(PARTS), 8))
    for row, source in enumerate(chosen):
        for batch in range(BATCHES):
            deposition = first_deposition(scene, geometry, source, scenario, batch, RAYS, study.document.seed)
            np.add.at(sums[batch, row], parts.of(deposition), deposition.energy)
    total = sums.sum(axis=0)
    whole = np.maximum(total.sum(axis=1, keepdims=True), 1e-300)
    share = total / whole
    # Delta method for a ratio, from the deviation of each batch from its share.
    excess = sums - share * sums.sum(axis=2, keepdims=True)
    error = np.sqrt((excess**2).sum(axis=0) * BATCHES / (BATCHES - 1)) / whole
    power = source_power(scene.sources)[chosen]
    return DepositionShares(share, error, np.einsum("spb,sb->pb", share, power / power.sum(axis=0)))


class VenueParts:
    """Assigns points on surfaces to `PARTS`."""

    def __init__(self, scene: Scene, study: Study):
        parts = study.venue.parts
        patterns = [
            (pattern, part)
            for part, names in ((STAGE, parts.stage), (WALLS, parts.walls), (ROOF, parts.roof))
            for pattern in names
        ]
        self._by_name = np.full(len(scene.patches), -1)
        for i, patch in enumerate(scene.patches):
            matching = (part for pattern, part in patterns if fnmatch.fnmatchcase(patch.group, pattern))
            self._by_name[i] = DRAPE if patch.is_sheet else next(matching, -1)
        self._areas = [area_outline(audience, study.mesh) for audience in study.venue.audience]

    def of(self, deposition: EnergyDeposition) -> np.ndarray:
        """(n,) index of `PARTS`."""
        patch, position = deposition.patch, deposition.position
        up = deposition.direction[:, 2] > 0.0
        is_level = np.abs(deposition.normal[:, 2]) > LEVEL
        part = np.where(is_level, np.where(up, ROOF, OTHER), WALLS)
        named = self._by_name[patch]
        part = np.where(named >= 0, named, part)
        part[patch < 0] = OTHER
        # Surfaces that the venue file names as stage or roof keep their part, even within an audience outline.
        down = np.flatnonzero(is_level & ~up & (part == OTHER) & (patch >= 0))
        for outline, floor in self._areas:
            inside = down[within(outline, position[down, :2])]
            if len(inside):
                height = position[inside, 2] - floor(position[inside, :2])
                part[inside[np.abs(height) < HIGHEST]] = AUDIENCE
        return part

    def towards(self, geometry: Geometry, place: np.ndarray, directions: np.ndarray) -> np.ndarray:
        """(n,) index of the part that a ray from a place in each of the directions (n, 3) meets first; with cloth."""
        return self.of(deposition_along(geometry, place, directions))
