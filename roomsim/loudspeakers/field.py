"""The sound field of the boxes of a system: complex pressure at points and in the far field."""

from __future__ import annotations

import numpy as np

from ..physics.radiation import gain_towards, sphere_weights
from .elements import ElementArrays, band_energy

NEAREST = 0.1
"""m; at smaller distances from an acoustic centre the pressure at this distance is used."""
_CHUNK = 400_000
"""Points times lines evaluated at a time: a few arrays of 6 MB."""


def _chunks(elements: ElementArrays, n: int) -> list[slice]:
    """Slices of n points that are evaluated together."""
    step = max(1, _CHUNK // len(elements.frequency))
    return [slice(start, start + step) for start in range(0, n, step)]


def pressure_at(elements: ElementArrays, points: np.ndarray, speed_of_sound: float) -> np.ndarray:
    """Complex pressure in the free field, near or far, without loss in the air.

    sum over boxes of A D exp(-j k r) / r: superposition of monopoles with a pattern, each in its own far
    field (Beranek and Mellow, Acoustics, ch. 4; from memory).

    Parameters
    ----------
    points : (n, 3) float, m

    Returns
    -------
    (n, n_lines) complex128, re 20 uPa; time dependence exp(+j w t)
    """
    wave = 2.0 * np.pi * elements.frequency / speed_of_sound
    total = np.zeros((len(points), len(wave)), complex)
    for chunk in _chunks(elements, len(points)):
        for position, frame, response in zip(
            elements.position, elements.frames, elements.response, strict=True
        ):
            away = points[chunk] - position
            distance = np.maximum(np.linalg.norm(away, axis=1), NEAREST)[:, None]
            sent = gain_towards(elements.table, frame, away) * response
            total[chunk] += sent * np.exp(-1j * wave * distance) / distance
    return total


def pressure_towards(
    elements: ElementArrays, directions: np.ndarray, reference: np.ndarray, speed_of_sound: float
) -> np.ndarray:
    """Pressure times distance in the far field: the limit of `pressure_at` x r exp(j k r), r from the reference.

    Parameters
    ----------
    directions : (n, 3) float, unit vectors of the room
    reference : (3,) float, m

    Returns
    -------
    (n, n_lines) complex128, re 20 uPa at 1 m
    """
    wave = 2.0 * np.pi * elements.frequency / speed_of_sound
    total = np.zeros((len(directions), len(wave)), complex)
    for chunk in _chunks(elements, len(directions)):
        part = directions[chunk]
        for position, frame, response in zip(
            elements.position, elements.frames, elements.response, strict=True
        ):
            ahead_by = part @ (position - reference)
            sent = gain_towards(elements.table, frame, part) * response
            total[chunk] += sent * np.exp(1j * wave * ahead_by[:, None])
    return total


def sphere_directions(n_polar: int, n_azimuth: int, axes: np.ndarray) -> np.ndarray:
    """(n_polar, n_azimuth, 3) unit vectors of the room at the points of a balloon; axes (3, 3) as its
    frame."""
    polar = np.linspace(0.0, np.pi, n_polar)[:, None]
    turn = 2.0 * np.pi * np.arange(n_azimuth) / n_azimuth
    along = np.broadcast_to(np.cos(polar), (n_polar, n_azimuth))
    local = np.stack([along, np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn)], axis=-1)
    return local @ axes


def far_balloon(
    elements: ElementArrays, axes: np.ndarray, speed_of_sound: float, n_polar: int, n_azimuth: int
) -> np.ndarray:
    """Far-field energy over the sphere, referred to 1 m.

    Parameters
    ----------
    axes : (3, 3) float, frame of the balloon, rows polar axis, azimuth 0, azimuth 90 degrees

    Returns
    -------
    (n_polar, n_azimuth, n_bands) float64, (re 20 uPa)^2 m2
    """
    directions = sphere_directions(n_polar, n_azimuth, axes).reshape(-1, 3)
    reference = elements.position.mean(axis=0)
    energy = []
    for chunk in _chunks(elements, len(directions)):
        pressure = pressure_towards(elements, directions[chunk], reference, speed_of_sound)
        energy.append(band_energy(pressure, elements.per_band))
    return np.concatenate(energy).reshape(n_polar, n_azimuth, -1)


def floor_gain(elements: ElementArrays, floor: float, speed_of_sound: float) -> np.ndarray:
    """Power that a system radiates over a rigid floor, relative to the free field, octave by octave.

    The power through the upper half sphere with the image in the floor, relative to that through the whole sphere
    without it: 1 far above, 2 for a point on the floor (as 1 + sin(2 k h) / (2 k h) for a point at
    height h: Waterhouse, Journal of the Acoustical Society of America 27 (1955), 247, from memory).

    Returns
    -------
    (n_bands,) float64
    """
    n_polar, n_azimuth = 91, 72
    up = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    directions = sphere_directions(n_polar, n_azimuth, up)
    weights = sphere_weights(n_polar, n_azimuth)
    # A reference point on the floor is its own image.
    foot = elements.position.mean(axis=0) * [1.0, 1.0, 0.0] + [0.0, 0.0, floor]
    free = pressure_towards(elements, directions.reshape(-1, 3), foot, speed_of_sound)
    free = free.reshape(n_polar, n_azimuth, -1)
    # The image radiates upwards what the system radiates downwards.
    together = band_energy(free + free[::-1], elements.per_band)
    whole_sphere = np.einsum("pab,pa->b", band_energy(free, elements.per_band), weights)
    # Both half spheres are now equal; the upper one has half of the total.
    return 0.5 * np.einsum("pab,pa->b", together, weights) / np.where(whole_sphere > 0.0, whole_sphere, 1.0)
