"""Where the energy of each source goes: the shares that first reach audience, stage, walls, roof."""

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
"""Parts of a venue. "drape" is cloth that hangs free; cloth in front of a wall belongs to the wall. "other" is open
floor, furniture and what leaves through gaps."""
AUDIENCE, STAGE, WALLS, ROOF, DRAPE, OTHER = range(len(PARTS))

LEVEL = np.cos(np.radians(45.0))
"""Of the vertical component of a normal: surfaces below it are walls, those above it floor or roof."""
BATCHES, RAYS = 16, 4096
HIGHEST = 0.3
"""m above the floor of an audience area up to which a surface point counts as part of the audience."""


@dataclass(frozen=True)
class DepositionShares:
    """Shares of the radiated energy by the part of the venue that it reaches first."""

    share: np.ndarray
    """(n_sources, n_parts, 8) float64, in the order of `PARTS`; the parts of a source add up to 1."""
    standard_error: np.ndarray
    """Of the share, same shape: from independent batches of rays."""
    whole_system: np.ndarray
    """(n_parts, 8) share of all these sources together, weighted by the power that they radiate."""


def energy_deposition(
    scene: Scene,
    study: Study,
    scenario: int = 0,
    sources: Sequence[int] | None = None,
) -> DepositionShares:
    """Trace the energy of every source to the first surface.

    The energy leaves the middle of the source with its far-field pattern, and travels straight. Audience is the floor
    of the audience areas, where the audience absorbs in the traced scene.

    Parameters
    ----------
    scenario : index; decides which free-hanging cloth is there
    sources : indices; all unless given. The rows of the result follow them.

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
            found = first_deposition(scene, geometry, source, scenario, batch, RAYS, study.document.seed)
            np.add.at(sums[batch, row], parts.of(found), found.energy)
    total = sums.sum(axis=0)
    whole = np.maximum(total.sum(axis=1, keepdims=True), 1e-300)
    share = total / whole
    # Delta method of a ratio: the spread of what each batch has in excess of its share.
    excess = sums - share * sums.sum(axis=2, keepdims=True)
    error = np.sqrt((excess**2).sum(axis=0) * BATCHES / (BATCHES - 1)) / whole
    power = source_power(scene.sources)[chosen]
    return DepositionShares(share, error, np.einsum("spb,sb->pb", share, power / power.sum(axis=0)))


class VenueParts:
    """Which of `PARTS` a point on a surface belongs to."""

    def __init__(self, scene: Scene, study: Study):
        named = study.venue.parts
        patterns = [(pattern, STAGE) for pattern in named.stage]
        patterns += [(pattern, WALLS) for pattern in named.walls]
        patterns += [(pattern, ROOF) for pattern in named.roof]
        self._by_name = np.full(len(scene.patches), -1)
        for i, patch in enumerate(scene.patches):
            matching = (part for pattern, part in patterns if fnmatch.fnmatchcase(patch.group, pattern))
            self._by_name[i] = DRAPE if patch.is_sheet else next(matching, -1)
        self._areas = [area_outline(audience, study.mesh) for audience in study.venue.audience]

    def of(self, found: EnergyDeposition) -> np.ndarray:
        """(n,) index of `PARTS`."""
        up = found.direction[:, 2] > 0.0
        is_level = np.abs(found.normal[:, 2]) > LEVEL
        part = np.where(is_level, np.where(up, ROOF, OTHER), WALLS)
        named = self._by_name[found.patch]
        part = np.where(named >= 0, named, part)
        part[found.patch < 0] = OTHER
        # What the user calls stage or roof stays so, even above an audience outline that reaches below it.
        down = np.flatnonzero(is_level & ~up & (part == OTHER) & (found.patch >= 0))
        for outline, floor in self._areas:
            inside = down[within(outline, found.position[down, :2])]
            if len(inside):
                height = found.position[inside, 2] - floor(found.position[inside, :2])
                part[inside[np.abs(height) < HIGHEST]] = AUDIENCE
        return part

    def towards(self, geometry: Geometry, place: np.ndarray, directions: np.ndarray) -> np.ndarray:
        """(n,) index of `PARTS` that a ray from a place meets first, cloth included, in directions (n, 3)."""
        return self.of(deposition_along(geometry, place, directions))
