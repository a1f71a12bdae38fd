"""Bass: coherent level maps with floor and walls, and rejection to the rear.

Below about 40 Hz ray acoustics is of little significance even in large halls. These maps therefore show the direct
field of the subs with its nearest images, summed as complex pressure: without reverberation or obstacles, and with
rigid surfaces.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from ..bands import EXACT
from .elements import ElementArrays, band_energy
from .field import pressure_at, pressure_towards

LOW_BANDS = np.array([EXACT[0] * 10.0**-0.3, EXACT[0], EXACT[1]])
"""(3,) Hz, exact mid-bands of the octaves 31.5, 63 and 125 Hz."""
REAR_SECTOR = 30.0
"""Degrees to either side of the rear axis over which the rejection is averaged."""
_SQUARE = 0.01


def level_map(
    systems: Sequence[ElementArrays],
    points: np.ndarray,
    speed_of_sound: float,
    planes: np.ndarray | None = None,
) -> np.ndarray:
    """Level at points from systems that carry the same signal, as the coherent sum.

    A rigid plane adds the field of the mirrored systems, which is the systems' own field at the mirrored
    point. Planes that meet at right angles add their common images as well, as in a corner; images in planes at
    other angles, or opposite each other, end at the first reflection.

    Parameters
    ----------
    systems : all on the same frequency lines
    points : (n, 3) float, m, on the same side of every plane as the systems
    planes : (n_planes, 4) float, unit normal and offset, n . x + d = 0: the floor, walls near the stacks

    Returns
    -------
    (n, n_bands) float64, dB re 20 uPa; -inf where the pressures cancel
    """
    chains = [chain for n in range(4) for chain in combinations(() if planes is None else planes, n)]
    total = sum(
        pressure_at(system, _mirrored(points, chain), speed_of_sound)
        for chain in chains
        if all(abs(one[:3] @ other[:3]) < _SQUARE for one, other in combinations(chain, 2))
        for system in systems
    )
    with np.errstate(divide="ignore"):
        return 10.0 * np.log10(band_energy(np.asarray(total), systems[0].per_band))


def _mirrored(points: np.ndarray, planes: tuple[np.ndarray, ...]) -> np.ndarray:
    for plane in planes:
        points = points - 2.0 * (points @ plane[:3] + plane[3])[:, None] * plane[:3]
    return points


def front_to_back(elements: ElementArrays, azimuth: float, speed_of_sound: float) -> np.ndarray:
    """Rear rejection: level straight ahead relative to the mean energy behind, in the far field and in the horizontal
    plane.

    The mean extends over `REAR_SECTOR` to either side of the rear axis. A rigid floor under the stack affects both
    equally. In a room the reverberant sound limits the rejection.

    Parameters
    ----------
    azimuth : float, degrees, direction that the stack faces

    Returns
    -------
    (n_bands,) float64, dB
    """
    behind = 180.0 + np.linspace(-REAR_SECTOR, REAR_SECTOR, 25)
    angle = np.radians(azimuth + np.concatenate([[0.0], behind]))
    directions = np.stack([np.cos(angle), np.sin(angle), np.zeros(len(angle))], axis=1)
    pressure = pressure_towards(elements, directions, elements.position.mean(axis=0), speed_of_sound)
    energy = band_energy(pressure, elements.per_band)
    floor = 1e-20 * energy.max()
    return 10.0 * np.log10(np.maximum(energy[0], floor) / np.maximum(energy[1:].mean(axis=0), floor))
