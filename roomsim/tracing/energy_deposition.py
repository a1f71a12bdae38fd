"""Where the energy of a source first meets a surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..bands import N_BANDS
from ..scene.scene import TRANSMITTED, Scene
from ._closest import find_hits
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
    skip, energy = None, weights.astype(np.float64)
    depositions: list[tuple[np.ndarray, ...]] = []
    is_sheet = np.array([patch.is_sheet for patch in scene.patches])
    for sheets in range(MOST_SHEETS + 1):
        at, normal, patch, primitive = _surfaces_hit(geometry, position, directions, skip)
        passed = np.zeros_like(energy)
        cloth = (patch >= 0) & is_sheet[patch]
        if sheets < MOST_SHEETS:
            passed[cloth] = energy[cloth] * scene.factors[patch[cloth], TRANSMITTED, scenario]
        depositions.append((at, directions.astype(np.float64), normal, patch, energy - passed))
        onwards = (passed > 0.0).any(axis=1)
        if not onwards.any():
            break
        position, directions = at[onwards].astype(np.float32), directions[onwards]
        skip, energy = primitive[onwards], passed[onwards]
    parts = [np.concatenate(part) for part in zip(*depositions, strict=True)]
    deposits = (parts[4] > 0.0).any(axis=1)
    return EnergyDeposition(*(part[deposits] for part in parts))


def deposition_along(geometry: Geometry, place: np.ndarray, directions: np.ndarray) -> EnergyDeposition:
    """The same for rays from a place (3,) in unit directions (n, 3), each with energy 1 in all bands.

    Cloth is treated like any other surface.
    """
    towards = np.asarray(directions, np.float32)
    origin = np.tile(np.asarray(place, np.float32), (len(towards), 1))
    at, normal, patch, _ = _surfaces_hit(geometry, origin, towards, None)
    return EnergyDeposition(at, towards.astype(np.float64), normal, patch, np.ones((len(towards), N_BANDS)))


def _surfaces_hit(
    geometry: Geometry, origins: np.ndarray, directions: np.ndarray, skip: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Position, normal and patch, as in `EnergyDeposition`, and primitive (-1 for none) of the hits of some rays."""
    distance, primitive = find_hits(origins, directions, geometry, skip)
    is_hit = primitive >= 0
    at = origins + np.where(is_hit, distance, 0.0)[:, None] * directions
    normal = np.where(is_hit[:, None], geometry.normals[primitive], 0.0)
    return at.astype(np.float64), normal, np.where(is_hit, geometry.patch[primitive], -1), primitive
