"""What goes where: the share of each source's energy that first lands on audience, stage, walls, roof."""

from __future__ import annotations

import fnmatch
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..scene.receivers import area_outline, within
from ..scene.scene import Scene
from ..tracing.energy_deposition import EnergyDeposition, deposition_along, first_deposition
from ..tracing.geometry import Geometry, pack_geometry
from ..venue.document import Study
from ..venue.mesh import VenueMesh

PARTS = ("audience", "stage", "walls", "roof", "drape", "other")
"""Parts of a room. "drape" is cloth that hangs free; before a wall it belongs to the wall. "other" is open
floor, furniture and what leaves through gaps."""
AUDIENCE, STAGE, WALLS, ROOF, DRAPE, OTHER = range(len(PARTS))

LEVEL = np.cos(np.radians(45.0))
"""Of the upright part of a normal: flatter faces are walls, steeper ones floor or roof."""
BATCHES, RAYS = 16, 4096
HIGHEST = 0.3
"""m above the floor of an audience area up to which a landing counts as one on the audience."""


@dataclass(frozen=True)
class WhatGoesWhere:
    """Shares of the radiated energy by the part of the room where it first lands."""

    share: np.ndarray
    """(n_sources, n_parts, 8) float64, in the order of `PARTS`; the parts of a source add up to 1."""
    standard_error: np.ndarray
    """Of the share, same shape: independent batches of rays."""


def what_goes_where(
    scene: Scene,
    study: Study,
    mesh: VenueMesh,
    scenario: int = 0,
    sources: Sequence[int] | None = None,
) -> WhatGoesWhere:
    """Trace the first landing of every source's energy.

    The energy leaves the source's middle with its pattern from far away, and goes straight. Audience is the
    floor of the audience areas: where the engine lets the crowd absorb.

    Parameters
    ----------
    scenario : int
        Which free-hanging cloth is there.
    sources : indices
        All unless given; the rows of the result follow them.

    Raises
    ------
    SceneError, MeshError : an audience area without floor
    """
    geometry = pack_geometry(scene.surfaces)
    chosen = range(len(scene.sources.names)) if sources is None else sources
    room = Room(scene, study, mesh)
    sums = np.zeros((BATCHES, len(chosen), len(PARTS), 8))
    for row, source in enumerate(chosen):
        for batch in range(BATCHES):
            landed = first_deposition(scene, geometry, source, scenario, batch, RAYS, study.document.seed)
            np.add.at(sums[batch, row], room.parts(landed), landed.energy)
    total = sums.sum(axis=0)
    whole = np.maximum(total.sum(axis=1, keepdims=True), 1e-300)
    share = total / whole
    # Delta method of a ratio: the spread of what each batch has beyond its due.
    beyond = sums - share * sums.sum(axis=2, keepdims=True)
    error = np.sqrt((beyond**2).sum(axis=0) * BATCHES / (BATCHES - 1)) / whole
    return WhatGoesWhere(share, error)


class Room:
    """Which part of the room a landing belongs to."""

    def __init__(self, scene: Scene, study: Study, mesh: VenueMesh):
        parts = study.venue.parts
        self._by_name = np.full(len(scene.patches), -1)
        for i, patch in enumerate(scene.patches):
            if patch.is_sheet:
                self._by_name[i] = DRAPE
                continue
            for part, patterns in ((STAGE, parts.stage), (WALLS, parts.walls), (ROOF, parts.roof)):
                if any(fnmatch.fnmatchcase(patch.group, pattern) for pattern in patterns):
                    self._by_name[i] = part
                    break
        self._areas = [area_outline(audience, mesh) for audience in study.venue.audience]

    def parts(self, landed: EnergyDeposition) -> np.ndarray:
        """(n,) index of `PARTS`."""
        up = landed.direction[:, 2] > 0.0
        is_level = np.abs(landed.normal[:, 2]) > LEVEL
        part = np.where(is_level, np.where(up, ROOF, OTHER), WALLS)
        named = self._by_name[landed.patch]
        part = np.where(named >= 0, named, part)
        part[landed.patch < 0] = OTHER
        # What the user calls stage or roof stays so, even over a plan outline that reaches below it.
        down = np.flatnonzero(is_level & ~up & (part == OTHER) & (landed.patch >= 0))
        for outline, floor in self._areas:
            inside = down[within(outline, landed.position[down, :2])]
            if len(inside):
                height = landed.position[inside, 2] - floor(landed.position[inside, :2])
                part[inside[np.abs(height) < HIGHEST]] = AUDIENCE
        return part

    def first_parts(self, geometry: Geometry, place: np.ndarray, directions: np.ndarray) -> np.ndarray:
        """(n,) index of `PARTS` that a ray from a place meets first, cloth included, in directions (n, 3)."""
        return self.parts(deposition_along(geometry, place, directions))
