"""Directivity patterns of single boxes: complex pressure re the axis in each direction and at each frequency."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.interpolate import RegularGridInterpolator
from scipy.spatial import ConvexHull, cKDTree

from ..bands import EXACT, N_BANDS
from ..physics.radiation import cosine_power, coverage_loss, first_order, line, piston
from ..venue.directivity import PolarLevels, SphereLevels, read_polar_file
from ..venue.loudspeakers import (
    CosinePower,
    Directivity,
    FirstOrder,
    Horn,
    LineElement,
    MeasuredSphere,
    Piston,
    TabulatedPolar,
)
from ..venue.sofa import SphereTransfer, read_sofa


def pattern(
    directivity: Directivity,
    directions: np.ndarray,
    frequency: np.ndarray,
    speed_of_sound: float,
    folder: Path,
) -> np.ndarray:
    """Pressure re the axis, signed or complex.

    Parameters
    ----------
    directions : (n, 3) float, unit vectors: ahead, left, up of the box
    frequency : (n_lines,) float, Hz
    folder : to which the names of directivity files are relative

    Returns
    -------
    (n, n_lines) complex128

    Raises
    ------
    DocumentError : a directivity file that cannot be used
    """
    ahead, left, up = (np.clip(part, -1.0, 1.0) for part in directions.T)
    off_axis = np.degrees(np.arccos(ahead))
    if isinstance(directivity, CosinePower):
        pressure = cosine_power(off_axis, np.array(directivity.coverage), directivity.rear_level)
        pressure = pressure[:, _octave(frequency)]
    elif isinstance(directivity, FirstOrder):
        pressure = first_order(off_axis[:, None], directivity.omnidirectional_part)
    elif isinstance(directivity, Piston):
        pressure = _boxed_piston(directivity, off_axis, frequency, speed_of_sound)
    elif isinstance(directivity, LineElement | Horn):
        # Azimuth about the box's own vertical, elevation above its own plane.
        azimuth, elevation = np.degrees(np.arctan2(left, ahead)), np.degrees(np.arcsin(up))
        pressure = _waveguide(directivity, azimuth, elevation, frequency, speed_of_sound)
    elif isinstance(directivity, TabulatedPolar):
        level = _tabulated(read_polar_file(folder / directivity.file, thirds=True), directions)
        pressure = 10.0 ** (level[:, _third(frequency)] / 20.0)
    elif isinstance(directivity, MeasuredSphere):
        return measured(read_sofa(folder / directivity.file), directions, frequency)
    else:
        pressure = np.ones((1, 1))
    return np.broadcast_to(pressure, (len(directions), len(frequency))).astype(complex)


def _octave(frequency: np.ndarray) -> np.ndarray:
    """(n_lines,) index of the octave; beyond the ends the nearest."""
    return np.clip(np.round(np.log10(frequency / EXACT[0]) / 0.3), 0, N_BANDS - 1).astype(int)


def _third(frequency: np.ndarray) -> np.ndarray:
    """(n_lines,) index of the third, 50 Hz to 10 kHz; beyond the ends the nearest."""
    return np.clip(np.round(10.0 * np.log10(frequency)) - 17, 0, 3 * N_BANDS - 1).astype(int)


def _boxed_piston(
    box: Piston, off_axis: np.ndarray, frequency: np.ndarray, speed_of_sound: float
) -> np.ndarray:
    """In front as in a baffle; behind as at the side, and down to the rear level as ka grows to one (common
    practice, no source)."""
    ka = 2.0 * np.pi * frequency * box.radius / speed_of_sound
    in_front = piston(np.minimum(off_axis, 90.0)[:, None], ka)
    behind = np.maximum(off_axis - 90.0, 0.0)[:, None] / 90.0
    return in_front * 10.0 ** (box.rear_level / 20.0 * behind * np.minimum(ka, 1.0))


def _waveguide(
    box: LineElement | Horn,
    azimuth: np.ndarray,
    elevation: np.ndarray,
    frequency: np.ndarray,
    speed_of_sound: float,
) -> np.ndarray:
    # Straight up the azimuth is undefined: its loss fades out smoothly from 30 degrees to the pole.
    towards = np.clip((np.abs(elevation) - 30.0) / 60.0, 0.0, 1.0)[:, None]
    fade = 0.5 * (1.0 + np.cos(np.pi * towards))
    if isinstance(box, LineElement):
        loss = fade * coverage_loss(azimuth, box.coverage, box.width, frequency, speed_of_sound)
        kl = 2.0 * np.pi * frequency * box.height / speed_of_sound
        upright = line(elevation[:, None], kl)
    else:
        width, height = box.size or (None, None)
        # Behind, the angle off the horizontal plane is of little relevance: the loss is then that of the azimuth.
        loss = fade * coverage_loss(azimuth, box.coverage[0], width, frequency, speed_of_sound)
        loss = loss + coverage_loss(elevation, box.coverage[1], height, frequency, speed_of_sound)
        upright = np.ones(1)
    return upright * 10.0 ** (-np.minimum(loss, -box.rear_level) / 20.0)


def _tabulated(table: SphereLevels | PolarLevels, directions: np.ndarray) -> np.ndarray:
    """(n, 24) dB: the whole sphere, or from two polars, as in `balloon_from_polars`."""
    if isinstance(table, SphereLevels):
        return sphere_levels(table, directions)
    ahead, left, up = directions.T
    off_axis = np.degrees(np.arccos(np.clip(ahead, -1.0, 1.0)))
    square = left**2 + up**2
    share = np.divide(left**2, square, out=np.full(len(left), 0.5), where=square > 1e-18)[:, None]
    horizontal = _round(np.where(left < 0.0, -off_axis, off_axis), table.horizontal_angle, table.horizontal)
    vertical = _round(np.where(up < 0.0, -off_axis, off_axis), table.vertical_angle, table.vertical)
    return share * horizontal + (1.0 - share) * vertical


def sphere_levels(table: SphereLevels, directions: np.ndarray) -> np.ndarray:
    """(..., n_bands) dB of a table over the sphere in directions (..., 3), ahead, left, up; linear in dB."""
    ahead, left, up = np.moveaxis(directions, -1, 0)
    around = np.degrees(np.arctan2(left, ahead)) % 360.0
    elevation = np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))
    wrapped = np.concatenate([table.level, table.level[:, :1]], axis=1)
    at = RegularGridInterpolator((table.elevation, np.append(table.azimuth, 360.0)), wrapped)
    return at(np.stack([elevation, around], axis=-1))


def _round(angle: np.ndarray, angles: np.ndarray, levels: np.ndarray) -> np.ndarray:
    at = RegularGridInterpolator((np.append(angles, 360.0),), np.concatenate([levels, levels[:1]]))
    return at(angle[:, None] % 360.0)


def measured(data: SphereTransfer, directions: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    """Measured pressure re the axis in any direction and at any frequency, complex.

    Linear over the triangles between measured directions. Magnitude and phase are interpolated separately:
    between directions that differ in phase the complex mean would be too small. In frequency both are
    linear, the phase re the axis, from which the time of flight cancels; beyond the ends of the
    data the nearest frequency is used.

    Parameters
    ----------
    directions : (n, 3) float, unit vectors: ahead, left, up
    frequency : (n_lines,) float, Hz

    Returns
    -------
    (n, n_lines) complex128
    """
    corners, weights = _triangles(data.directions, np.concatenate([directions, [[1.0, 0.0, 0.0]]]))
    magnitude = np.einsum("nc,ncf->nf", weights, np.abs(data.pressure)[corners])
    phasor = np.einsum("nc,ncf->nf", weights, data.pressure[corners])
    relative = magnitude[:-1] / magnitude[-1]
    phase = np.unwrap(np.angle(phasor[:-1] * phasor[-1].conj()), axis=1)
    place = np.interp(frequency, data.frequency, np.arange(len(data.frequency)))
    low = np.minimum(place.astype(int), len(data.frequency) - 2)
    share = place - low
    return ((1.0 - share) * relative[:, low] + share * relative[:, low + 1]) * np.exp(
        1j * ((1.0 - share) * phase[:, low] + share * phase[:, low + 1])
    )


def _triangles(points: np.ndarray, directions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Corners (n, 3) and weights (n, 3), sum 1, of the triangle between points on the sphere round each
    direction."""
    facets = ConvexHull(points).simplices
    corners = points[facets]
    inverse = np.linalg.pinv(corners.transpose(0, 2, 1))
    middles = corners.mean(axis=1)
    middles /= np.linalg.norm(middles, axis=1)[:, None]
    near = cKDTree(middles).query(directions, min(16, len(facets)))[1]
    facet, weights = _best(inverse, near, directions)
    # Between long thin triangles near a pole, the correct one may not be among the nearest.
    everything = np.arange(len(facets))[None]
    for i in np.flatnonzero(weights.min(axis=1) < -1e-9):
        facet[i : i + 1], weights[i : i + 1] = _best(inverse, everything, directions[i : i + 1])
    weights = np.maximum(weights, 0.0)
    return facets[facet], weights / weights.sum(axis=1, keepdims=True)


def _best(inverse: np.ndarray, candidates: np.ndarray, directions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The candidate facet (n, k) that contains each direction best, and its coordinates in it."""
    inside = np.einsum("nkij,nj->nki", inverse[candidates], directions)
    chosen = inside.min(axis=2).argmax(axis=1)
    rows = np.arange(len(directions))
    return candidates[rows, chosen], inside[rows, chosen]
