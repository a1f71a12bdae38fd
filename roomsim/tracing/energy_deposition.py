"""Where the energy of a source first meets a surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..scene.scene import TRANSMITTED, Scene
from ._closest import closest_hits
from .emission import Emission
from .geometry import Geometry

MOST_SHEETS = 12
"""Sheets of cloth that a ray passes at most; each stops at least half of the energy."""


@dataclass(frozen=True)
class EnergyDeposition:
    """Points where rays first meet a surface. A ray that passes cloth leaves part of its energy at each sheet."""

    position: np.ndarray
    """(n, 3) float64, m."""
    direction: np.ndarray
    """(n, 3) float64, unit, of the ray."""
    normal: np.ndarray
    """(n, 3) float64, unit, either side; zero where nothing was hit."""
    patch: np.ndarray
    """(n,) int, -1 for rays that left through a gap."""
    energy: np.ndarray
    """(n, 8) float64: their sum estimates the energy that the source radiates, up to a common factor in each band."""


def first_deposition(
    scene: Scene, geometry: Geometry, source: int, scenario: int, batch: int, n_rays: int, seed: int = 1
) -> EnergyDeposition:
    """Trace rays of a source, drawn by its directivity, to the first surface.

    Free-hanging cloth of the scenario stops the energy that it does not transmit; the rest continues straight on.
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
    return EnergyDeposition(*(part[kept] for part in parts))


def deposition_along(geometry: Geometry, place: np.ndarray, directions: np.ndarray) -> EnergyDeposition:
    """The same for rays from a place (3,) in unit directions (n, 3), each with energy 1 in all bands.

    Cloth is treated like any other surface.
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
    return EnergyDeposition(at.astype(np.float64), towards.astype(np.float64), normal, patch, np.ones((n, 8)))
