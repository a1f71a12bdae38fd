"""Coverage angles of a box, between its -6 dB directions."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ..bands import band_lines
from ..venue.loudspeakers import Directivity
from .elements import band_energy
from .patterns import pattern

EDGE = -6.0
"""dB re the axis."""
_STEP = 0.5
"""Degrees."""


def polars(
    directivity: Directivity, speed_of_sound: float, folder: Path
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Horizontal and vertical polar of a box, octave by octave.

    Parameters
    ----------
    folder : to which the names of directivity files are relative

    Returns
    -------
    angle : (n,) degrees, -180 to 180, left and up positive
    horizontal, vertical : (n, 8) dB re the axis; the vertical one goes over the top to the back

    Raises
    ------
    DocumentError : a directivity file that cannot be used
    """
    angle = np.arange(-180.0, 180.0 + _STEP / 2.0, _STEP)
    ahead, aside, zero = np.cos(np.radians(angle)), np.sin(np.radians(angle)), np.zeros(len(angle))
    levels = []
    for directions in (np.stack([ahead, aside, zero], axis=1), np.stack([ahead, zero, aside], axis=1)):
        energy = band_energy(pattern(directivity, directions, band_lines(), speed_of_sound, folder))
        levels.append(10.0 * np.log10(np.maximum(energy / energy[len(angle) // 2], 1e-20)))
    return angle, levels[0], levels[1]


def coverage_angles(directivity: Directivity, speed_of_sound: float, folder: Path) -> np.ndarray:
    """Full angles between the first directions off axis, on both sides, that are 6 dB down.

    Returns
    -------
    (2, 8) degrees, horizontal and vertical, octave by octave; 360 where one side never falls to it
    """
    angle, horizontal, vertical = polars(directivity, speed_of_sound, folder)
    middle = len(angle) // 2
    return np.array(
        [
            [min(_edge(level[middle:]) + _edge(level[middle::-1]), 360.0) for level in polar.T]
            for polar in (horizontal, vertical)
        ]
    )


def _edge(level: np.ndarray) -> float:
    """Degrees from the axis to where a polar first falls to the edge, infinite if it never does."""
    below = np.flatnonzero(level <= EDGE)
    if not len(below):
        return np.inf
    i = int(below[0])
    share = (level[i - 1] - EDGE) / (level[i - 1] - level[i])
    return _STEP * (i - 1 + float(share))
