"""Where the sound of a source first lands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..scene.scene import TRANSMITTED, Scene
from ._closest import closest_hits
from .emission import Emission
from .geometry import Geometry

MOST_SHEETS = 12
"""Sheets of cloth that a ray passes before it counts as lost; half of the energy and more stops at each."""


@dataclass(frozen=True)
class Landings:
    """First landings of one batch of rays. A ray that passes cloth lands in several places, part in each."""

    position: np.ndarray
    """(n, 3) float64, m."""
    direction: np.ndarray
    """(n, 3) float64, unit, of the ray."""
    normal: np.ndarray
    """(n, 3) float64, unit, either side; zero where nothing was hit."""
    patch: np.ndarray
    """(n,) int, -1 for what left through a gap."""
    energy: np.ndarray
    """(n, 8) float64: the sum over all is the energy that the source radiates, up to a common factor in each
    band and to chance."""


def first_landings(
    scene: Scene, geometry: Geometry, source: int, scenario: int, batch: int, n_rays: int, seed: int = 1
) -> Landings:
    """Rays of a source, drawn by its directivity, up to the first surface.

    Cloth that hangs free in this scenario stops what it does not let through; the rest goes straight on.
    Directions are those of the tracer (`Emission`); batches are independent of each other.

    Parameters
    ----------
    source, scenario : int, indices of the scene
    batch : int, address of the random numbers together with `seed`
    n_rays : int
    """
    directions, weights = Emission(scene.sources, source).draw(seed, source, batch, n_rays)
    position = np.tile(scene.sources.position[source].astype(np.float32), (n_rays, 1))
    skip = np.full(n_rays, -1, np.int32)
    energy = weights.astype(np.float64)
    found: list[tuple[np.ndarray, ...]] = []
    is_sheet = np.array([patch.is_sheet for patch in scene.patches])
    for sheets in range(MOST_SHEETS + 1):
        distance, primitive = np.empty(len(position), np.float32), np.empty(len(position), np.int32)
        closest_hits(position, directions, skip, geometry, distance, primitive)
        hit = primitive >= 0
        patch = np.where(hit, geometry.patch[primitive], -1)
        normal = np.where(hit[:, None], geometry.normals[primitive], 0.0)
        at = position + np.where(hit, distance, 0.0)[:, None] * directions
        at = at.astype(np.float64)
        passed = np.zeros_like(energy)
        cloth = hit & is_sheet[patch]
        if sheets < MOST_SHEETS:
            passed[cloth] = energy[cloth] * scene.factors[patch[cloth], TRANSMITTED, scenario]
        stopped = energy - passed
        found.append((at, directions.astype(np.float64), normal, patch, stopped))
        onwards = (passed > 0.0).any(axis=1)
        if not onwards.any():
            break
        position, directions = at[onwards].astype(np.float32), directions[onwards]
        skip, energy = primitive[onwards], passed[onwards]
    parts = [np.concatenate(part) for part in zip(*found, strict=True)]
    kept = (parts[4] > 0.0).any(axis=1)
    return Landings(*(part[kept] for part in parts))


def landings_towards(geometry: Geometry, place: np.ndarray, directions: np.ndarray) -> Landings:
    """First landings of rays from a place (3,) in unit directions (n, 3), each with energy 1 in all bands.

    Cloth counts like any other surface.
    """
    n = len(directions)
    towards = np.ascontiguousarray(directions, np.float32)
    origin = np.tile(np.asarray(place, np.float32), (n, 1))
    distance, primitive = np.empty(n, np.float32), np.empty(n, np.int32)
    closest_hits(origin, towards, np.full(n, -1, np.int32), geometry, distance, primitive)
    hit = primitive >= 0
    at = origin + np.where(hit, distance, 0.0)[:, None] * towards
    normal = np.where(hit[:, None], geometry.normals[primitive], 0.0)
    patch = np.where(hit, geometry.patch[primitive], -1)
    return Landings(at.astype(np.float64), towards.astype(np.float64), normal, patch, np.ones((n, 8)))
