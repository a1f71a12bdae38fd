"""Directivity of sources: patterns, balloons and their integrals.

Angles in degrees. Patterns are pressure re the axis (signed where the phase turns over); balloons are squared
pressure re the axis on a grid over the sphere: polar angle 0 to 180 off the axis, both ends included,
azimuth 0 to 360 about the axis from left towards up, end excluded, band last.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import special

from ..errors import PhysicalRangeError

N_POLAR, N_AZIMUTH = 73, 72
"""Grid of a balloon: steps of 2.5 and 5 degrees. Loudspeaker data have a resolution of 5 degrees (AES56; from
memory)."""


# --- patterns -------------------------------------------------------------------------------------------


def cosine_power(angle: Any, coverage: Any, rear_level: float = -20.0) -> np.ndarray:
    """Pressure that decreases as a power of the cosine of half the angle off axis, at least `rear_level`.

    D = cos(angle / 2)^n with n such that D = 1/2 (-6 dB) at half the coverage angle: coverage 360 is
    omnidirectional, 180 the cardioid. Smooth at any coverage, unlike a power of cos(angle) itself, which ends
    at 90 degrees. A substitute for a source without data (common practice, no source).

    Parameters
    ----------
    angle : (...) float, degrees off axis, 0 to 180
    coverage : (n_bands,) float, degrees, full angle between the -6 dB directions, above 0 to 360
    rear_level : float, dB

    Returns
    -------
    (..., n_bands) float, pressure re the axis

    Raises
    ------
    PhysicalRangeError
        For a coverage outside its range.
    """
    coverage = np.asarray(coverage, dtype=float)
    if not np.all((coverage > 0.0) & (coverage <= 360.0)):
        raise PhysicalRangeError(
            f"coverage angle is {coverage[~((coverage > 0.0) & (coverage <= 360.0))].flat[0]:g} degrees",
            cure="It must lie above 0 and at most at 360, which means no directivity.",
        )
    half = np.cos(np.radians(np.asarray(angle, dtype=float)) / 2.0)[..., None]
    edge = np.cos(np.radians(coverage / 4.0))
    # The logarithm of the cosine of 90 degrees is finite in floating point (-37): 360 degrees is treated separately.
    power = np.where(coverage < 360.0, np.log(0.5) / np.log(edge), 0.0)
    return np.maximum(np.maximum(half, 0.0) ** power, 10.0 ** (rear_level / 20.0))


def piston(angle: Any, ka: Any) -> np.ndarray:
    """Circular piston in a baffle: 2 J1(x) / x, x = ka sin(angle); signed pressure, shapes broadcast.

    Beranek and Mellow, Acoustics, ch. 13 (from memory). k = 2 pi f / c, a the radius. Equal in front and
    behind: valid up to 90 degrees.
    """
    x = np.asarray(ka) * np.sin(np.radians(angle))
    # J0 + J2 = 2 J1 / x is valid at x = 0 as well.
    return special.jv(0, x) + special.jv(2, x)


def line(angle: Any, kl: Any) -> np.ndarray:
    """Uniform line: sin(u) / u, u = (k L / 2) sin(angle), `angle` off the plane square to it; signed
    pressure.

    Beranek and Mellow, Acoustics, ch. 4 (from memory); in the far field (`far_field_distance`). Shapes
    broadcast.
    """
    return np.sinc(np.asarray(kl) / (2.0 * np.pi) * np.sin(np.radians(angle)))


def first_order(angle: Any, omnidirectional_part: Any) -> np.ndarray:
    """Pressure and gradient together: a + (1 - a) cos(angle); signed pressure, shapes broadcast.

    a = 1 omnidirectional, 0.5 cardioid, 0.366 supercardioid, 0.25 hypercardioid, 0 dipole.
    """
    a = np.asarray(omnidirectional_part, dtype=float)
    return a + (1.0 - a) * np.cos(np.radians(angle))


def coverage_loss(
    angle: Any, coverage: float, size: float | None, frequency: Any, speed_of_sound: float
) -> np.ndarray:
    """dB lost off axis by a waveguide: 6 dB at half the coverage angle, growing with the square of the angle.

    Below f0 = 74 c / (coverage x size) the mouth is too small to maintain the angle, which then grows as f0 / f;
    25 400 / (degrees x metres) at 343 m/s is the rule of thumb for horns (Keele, What's So Sacred about
    Exponential Horns?, AES preprint 1038 (1975); from memory). The square is common practice, no source.

    Parameters
    ----------
    angle : (...) float, degrees off axis in the plane of this coverage
    coverage : float, degrees, full angle between the -6 dB directions
    size : float, m, of the mouth in this plane; None for an angle that is constant over frequency
    frequency : (n,) float, Hz

    Returns
    -------
    (..., n) float, dB, at least 0
    """
    widening = np.ones_like(np.asarray(frequency, dtype=float))
    if size is not None:
        lowest = 1e6 * 0.0254 / 343.2 * speed_of_sound / (coverage * size)
        widening = np.maximum(1.0, lowest / np.asarray(frequency, dtype=float))
    return 6.0 * np.square(np.asarray(angle, dtype=float)[..., None] / (0.5 * coverage * widening))


# --- balloons -------------------------------------------------------------------------------------------


def polar_angles(n_polar: int = N_POLAR) -> np.ndarray:
    """(n_polar,) degrees off axis, 0 to 180."""
    return np.linspace(0.0, 180.0, n_polar)


def azimuths() -> np.ndarray:
    """(N_AZIMUTH,) degrees about the axis from left towards up, 360 excluded."""
    return np.arange(N_AZIMUTH) * (360.0 / N_AZIMUTH)


def axisymmetric_balloon(pressure: np.ndarray) -> np.ndarray:
    """Balloon of a pattern that is the same all round: (n_polar, n_bands) in, squared and repeated out."""
    return np.repeat(np.square(pressure)[:, None, :], N_AZIMUTH, axis=1)


def balloon_from_polars(
    horizontal_angles: Any,
    horizontal_level: Any,
    vertical_angles: Any,
    vertical_level: Any,
    n_polar: int = N_POLAR,
) -> np.ndarray:
    """Balloon from a horizontal and a vertical polar.

    Between the two planes the levels in dB are weighted with the squared cosine and sine of the azimuth
    (common practice, no source): exact in both planes, an assumption in between. Along each polar levels are
    interpolated in dB. Behind the source, where both polars describe the same direction, their mean energy is taken.

    Parameters
    ----------
    horizontal_angles, vertical_angles : (n,) float, degrees, ascending
        -180 to 180 with left and up positive, or 0 to 180 for a polar with two equal sides.
    horizontal_level, vertical_level : (n, n_bands) float, dB re the axis

    Returns
    -------
    (n_polar, N_AZIMUTH, n_bands) float, squared pressure re the axis
    """
    polar = polar_angles(n_polar)[:, None]
    azimuth = np.radians(azimuths())
    towards_left, towards_up = np.cos(azimuth), np.sin(azimuth)
    # Rounding makes cos(90) 6e-17: either side is acceptable there, since its weight is negligible.
    horizontal = _along_polar(
        np.where(towards_left < 0.0, -polar, polar), horizontal_angles, horizontal_level
    )
    vertical = _along_polar(np.where(towards_up < 0.0, -polar, polar), vertical_angles, vertical_level)
    level = towards_left[:, None] ** 2 * horizontal + towards_up[:, None] ** 2 * vertical
    balloon = 10.0 ** (level / 10.0)
    balloon[[0, -1]] = balloon[[0, -1]].mean(axis=1, keepdims=True)
    return balloon


def _along_polar(angle: np.ndarray, table_angles: Any, table_level: Any) -> np.ndarray:
    """Levels (..., n_bands) at any angles from a table of half or all of a polar."""
    angles, level = np.asarray(table_angles, dtype=float), np.asarray(table_level, dtype=float)
    if angles[0] >= 0.0:
        angle = np.abs(angle)
    return np.stack([np.interp(angle, angles, band) for band in level.T], axis=-1)


def sphere_weights(n_polar: int, n_azimuth: int) -> np.ndarray:
    """(n_polar, n_azimuth) shares of the sphere, sum 1: exact for what is linear between polar angles.

    The balloon is read with linear interpolation (`gain_towards`), so its power is consistent with the
    interpolated values.
    """
    step = np.pi / (n_polar - 1)
    weight = np.sin(np.radians(polar_angles(n_polar))) * (2.0 - 2.0 * np.cos(step)) / step
    weight[[0, -1]] = 1.0 - np.sin(step) / step
    return np.repeat(weight[:, None] / (2.0 * n_azimuth), n_azimuth, axis=1)


def gain_towards(balloon: np.ndarray, axes: np.ndarray, directions: np.ndarray) -> np.ndarray:
    """Squared pressure re the axis in some directions, linear between the points of the balloon.

    Parameters
    ----------
    balloon : (n_polar, n_azimuth, n_bands) float
    axes : (3, 3) float, rows axis, left, up
    directions : (..., 3) float, any length above 0

    Returns
    -------
    (..., n_bands) float
    """
    n_polar, n_azimuth, _ = balloon.shape
    along, left, up = np.moveaxis(directions @ axes.T, -1, 0)
    polar = np.arctan2(np.hypot(left, up), along) * ((n_polar - 1) / np.pi)
    azimuth = np.mod(np.arctan2(up, left) * (n_azimuth / (2.0 * np.pi)), n_azimuth)
    return interpolate_balloon(balloon, polar, azimuth)


def interpolate_balloon(balloon: np.ndarray, polar: np.ndarray, azimuth: np.ndarray) -> np.ndarray:
    """(..., n_bands) values of a balloon at angles (...), in steps of its grid and bilinear in both."""
    n_polar, n_azimuth, _ = balloon.shape
    # An azimuth of -1e-17 comes out of a remainder as n_azimuth itself.
    i, j = np.minimum(polar.astype(int), n_polar - 2), azimuth.astype(int) % n_azimuth
    k = (j + 1) % n_azimuth
    u, v = (polar - i)[..., None], (azimuth - np.floor(azimuth))[..., None]
    return (1.0 - u) * ((1.0 - v) * balloon[i, j] + v * balloon[i, k]) + u * (
        (1.0 - v) * balloon[i + 1, j] + v * balloon[i + 1, k]
    )


# --- frames ---------------------------------------------------------------------------------------------


def frame(azimuth: float, elevation: float) -> np.ndarray:
    """Axis, left and up of a source that is turned to `azimuth` and then tilted to `elevation`.

    Parameters
    ----------
    azimuth : float, degrees anticlockwise from x in plan
    elevation : float, degrees above the horizontal

    Returns
    -------
    (3, 3) float
        Rows, right-handed and orthonormal. Left stays level.
    """
    a, e = np.radians(azimuth), np.radians(elevation)
    return np.array(
        [
            [np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)],
            [-np.sin(a), np.cos(a), 0.0],
            [-np.sin(e) * np.cos(a), -np.sin(e) * np.sin(a), np.cos(e)],
        ]
    )


def frame_towards(position: Any, target: Any) -> np.ndarray:
    """`frame` of a source at `position` aimed at `target`; straight up or down it faces x before it is tilted."""
    x, y, z = np.asarray(target, dtype=float) - np.asarray(position, dtype=float)
    flat = float(np.hypot(x, y))
    if flat == 0.0 and z == 0.0:
        raise PhysicalRangeError(
            "a source is aimed at its own position", cure="Give another point to aim at."
        )
    return frame(float(np.degrees(np.arctan2(y, x))), float(np.degrees(np.arctan2(z, flat))))
