"""Directivity against printed zeros and levels, closed-form directivity factors and its own interpolation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special
from scipy.spatial.transform import Rotation

from roomsim.errors import PhysicalRangeError
from roomsim.physics.radiation import (
    axisymmetric_balloon,
    azimuths,
    balloon_from_polars,
    cosine_power,
    first_order,
    frame,
    frame_towards,
    gain_towards,
    line,
    piston,
    polar_angles,
    sphere_weights,
)


def directivity_factor(balloon):
    """Energy on axis over the mean over all directions."""
    return balloon[0, 0] / np.einsum("pab,pa->b", balloon, sphere_weights(*balloon.shape[:2]))


def decibels(pressure):
    return 20.0 * np.log10(np.abs(pressure))


# --- patterns -------------------------------------------------------------------------------------------


def test_piston():
    # x at 90 degrees is ka. Zeros of J1 and level of the first side lobe: Abramowitz and Stegun, Table 9.5,
    # and any textbook on pistons (-17.57 dB).
    assert piston(90.0, np.array([3.831706, 7.015587, 10.173468])) == pytest.approx([0.0] * 3, abs=1e-7)
    assert decibels(piston(90.0, 5.135622)) == pytest.approx(-17.5701, abs=5e-5)
    assert decibels(piston(90.0, 1.613741)) == pytest.approx(-3.0, abs=1e-5)
    assert piston(90.0, 2.215089) == pytest.approx(0.5, abs=1e-6)
    # Worked apart from this program, 30, 60, 90 degrees.
    for ka, values in (
        (1.0, (0.969074, 0.909134, 0.880101)),
        (5.0, (0.397675, -0.083813, -0.131032)),
        (10.0, (-0.131032, 0.062641, 0.008695)),
    ):
        assert piston(np.array([30.0, 60.0, 90.0]), ka) == pytest.approx(
            values, abs=5.1e-7
        )  # half the last digit
    assert piston(0.0, 7.0) == 1.0
    assert piston(np.zeros((3, 1)), np.ones(8)).shape == (3, 8)


@pytest.mark.parametrize("ka", [0.5, 2.0, 10.0])
def test_piston_directivity_factor(ka):
    # In an infinite baffle (ka)^2 / (1 - J1(2 ka) / ka) (Beranek and Mellow, Acoustics, from memory). No
    # sound behind; the points in the plane of the baffle belong half to the front.
    def factor(n_polar):
        angle = polar_angles(n_polar)
        pressure = np.where(angle < 90.0, piston(angle, ka), 0.0)
        pressure[angle == 90.0] = piston(90.0, ka) / np.sqrt(2.0)
        return directivity_factor(axisymmetric_balloon(pressure[:, None]))[0]

    exact = ka**2 / (1.0 - special.j1(2.0 * ka) / ka)
    # Linear interpolation errs as the square of the step: four times less for half the step, to the right
    # limit.
    coarse, fine = factor(181) - exact, factor(361) - exact
    assert coarse / fine == pytest.approx(4.0, rel=0.05)  # next order of the step
    assert fine == pytest.approx(0.0, abs=1e-3 * exact)


def test_line():
    # sin(u) / u, u = kL / 2 at 90 degrees: -6 dB at 1.895494, nulls at multiples of pi, first side lobe
    # -13.2615 dB.
    assert line(90.0, 2.0 * 1.895494) == pytest.approx(0.5, abs=1e-6)
    assert decibels(line(90.0, 2.0 * 1.389349)) == pytest.approx(-3.0, abs=1e-4)
    assert line(90.0, 2.0 * np.pi * np.array([1.0, 2.0, 5.0])) == pytest.approx([0.0] * 3, abs=1e-12)
    assert decibels(line(90.0, 2.0 * 4.493409)) == pytest.approx(-13.2615, abs=5e-5)
    assert line(0.0, 9.0) == 1.0
    # A line of many points is a line: 400 points over L, far away.
    angle, kl = 20.0, 15.0
    place = (np.arange(400) + 0.5) / 400 - 0.5
    points = np.exp(1j * kl * place * np.sin(np.radians(angle))).mean()
    assert line(angle, kl) == pytest.approx(points.real, abs=2e-5)  # (u / 400)^2 / 6


@pytest.mark.parametrize(
    ("part", "factor"),
    # Omnidirectional, cardioid, supercardioid, hypercardioid, dipole: 1, 3, 3.73, 4, 3 (textbook values, 4
    # digits).
    [(1.0, 1.0), (0.5, 3.0), (0.366025, 3.7321), (0.25, 4.0), (0.0, 3.0)],
)
def test_first_order_directivity_factors(part, factor):
    angle = polar_angles(721)
    got = directivity_factor(axisymmetric_balloon(first_order(angle, part)[:, None]))
    assert got[0] == pytest.approx(factor, abs=1e-4)  # square of the step, 0.0044^2, and the printed digits
    # Control: the grid of the program itself is within a hundredth of a decibel.
    coarse = directivity_factor(axisymmetric_balloon(first_order(polar_angles(), part)[:, None]))
    assert 10.0 * np.log10(coarse[0] / factor) == pytest.approx(0.0, abs=0.01)


def test_cosine_power():
    coverage = np.array([360.0, 180.0, 90.0, 60.0, 20.0])
    pattern = cosine_power(np.array([0.0, 10.0, 30.0, 45.0, 90.0, 180.0]), coverage)
    assert pattern.shape == (6, 5)
    assert (pattern[0] == 1.0).all()
    # -6 dB, half the pressure, at half the coverage angle.
    assert [pattern[4, 1], pattern[3, 2], pattern[2, 3], pattern[1, 4]] == pytest.approx([0.5] * 4, rel=1e-12)
    assert (pattern[:, 0] == 1.0).all()
    # 180 degrees is the cardioid, until the floor.
    angle = np.linspace(0.0, 140.0, 29)
    assert cosine_power(angle, [180.0])[:, 0] == pytest.approx(first_order(angle, 0.5), abs=1e-12)
    assert decibels(cosine_power(180.0, coverage[1:], -25.0)) == pytest.approx([-25.0] * 4, abs=1e-9)
    # Narrower sends less everywhere off axis.
    assert (np.diff(cosine_power(25.0, coverage)) < 0.0).all()


@pytest.mark.parametrize("coverage", [0.0, -10.0, 361.0, np.nan])
def test_impossible_coverage(coverage):
    with pytest.raises(PhysicalRangeError, match="coverage angle"):
        cosine_power(10.0, [90.0, coverage])


# --- balloons -------------------------------------------------------------------------------------------


def test_weights_cover_the_sphere():
    weights = sphere_weights(73, 72)
    assert weights.sum() == pytest.approx(1.0, rel=1e-12)
    # Exact for what is linear in the polar angle: its mean over the sphere is 90 degrees.
    assert (weights * polar_angles()[:, None]).sum() == pytest.approx(90.0, rel=1e-12)
    # Azimuth: cos^2 averages to a half.
    assert (weights * np.cos(np.radians(azimuths())) ** 2).sum() == pytest.approx(0.5, rel=1e-12)


def test_gain_at_and_between_grid_points():
    rng = np.random.default_rng(3)
    balloon = rng.uniform(0.1, 1.0, (19, 12, 8))
    balloon[[0, -1]] = balloon[[0, -1], :1]
    axes = frame(30.0, -20.0)
    polar, azimuth = np.meshgrid(np.radians(polar_angles(19)), np.radians(np.arange(12) * 30.0), indexing="ij")
    local = np.stack(
        [np.cos(polar), np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth)], axis=-1
    )
    # On the grid its own values, at any length of the direction.
    assert gain_towards(balloon, axes, 7.0 * local @ axes) == pytest.approx(balloon, abs=1e-9)
    # Half-way in azimuth, across the seam from the last to the first.
    p, a = np.radians(40.0), np.radians(345.0)
    between = np.array([np.cos(p), np.sin(p) * np.cos(a), np.sin(p) * np.sin(a)]) @ axes
    assert gain_towards(balloon, axes, between) == pytest.approx(
        (balloon[4, 11] + balloon[4, 0]) / 2.0, abs=1e-9
    )


def test_power_and_readings_fit_together():
    # The mean of many readings in random directions is the power that the directivity factor is made with.
    balloon = axisymmetric_balloon(cosine_power(polar_angles(), np.full(8, 40.0)))
    rng = np.random.default_rng(11)
    directions = rng.normal(size=(200_000, 3))
    readings = gain_towards(balloon, frame(0.0, 0.0), directions)[:, 0]
    error = readings.std() / np.sqrt(len(readings))
    assert readings.mean() == pytest.approx(1.0 / directivity_factor(balloon)[0], abs=5.0 * error)  # 6e-7
    # Control: without the weights (all grid points alike) it is far off.
    assert abs(balloon[..., 0].mean() - readings.mean()) > 20.0 * error


def test_polars_are_met_in_their_planes():
    angles = np.arange(-180.0, 181.0, 10.0)
    horizontal = decibels(cosine_power(np.abs(angles), np.linspace(60.0, 360.0, 8)))
    vertical = decibels(cosine_power(np.abs(angles), np.linspace(40.0, 360.0, 8)))
    horizontal[angles > 0.0] -= 1.0  # louder to the right than to the left
    horizontal[-1] = horizontal[0] = vertical[0]
    balloon = balloon_from_polars(angles, horizontal, angles, vertical)
    axes = frame(0.0, 0.0)  # left is y, up is z

    def at(x, y, z):
        return 10.0 * np.log10(gain_towards(balloon, axes, np.array([x, y, z])))

    def on(angle):
        return np.cos(np.radians(angle)), np.sin(np.radians(angle))

    # On grid points of polar and balloon (multiples of 10 degrees) the polars themselves.
    for angle in (30.0, 80.0, 140.0):
        i, j = np.flatnonzero(angles == angle)[0], np.flatnonzero(angles == -angle)[0]
        along, across = on(angle)
        assert at(along, across, 0.0) == pytest.approx(horizontal[i], abs=1e-9)
        assert at(along, -across, 0.0) == pytest.approx(horizontal[j], abs=1e-9)
        assert at(along, 0.0, across) == pytest.approx(vertical[i], abs=1e-9)
        assert at(along, 0.0, -across) == pytest.approx(vertical[i], abs=1e-9)
    assert at(1.0, 0.0, 0.0) == pytest.approx(np.zeros(8), abs=1e-9)
    assert at(-1.0, 0.0, 0.0) == pytest.approx(vertical[0], abs=1e-9)


def test_half_polars_are_mirrored_and_equal_polars_give_a_body_of_revolution():
    angles = np.linspace(0.0, 180.0, 73)
    pressure = cosine_power(angles, np.linspace(60.0, 360.0, 8))
    balloon = balloon_from_polars(angles, decibels(pressure), angles, decibels(pressure))
    assert balloon == pytest.approx(axisymmetric_balloon(pressure), rel=1e-9)


# --- frames ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("azimuth", "elevation"), [(0.0, 0.0), (37.0, -12.0), (-150.0, 80.0), (90.0, 90.0)])
def test_frames(azimuth, elevation):
    axes = frame(azimuth, elevation)
    assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-15 * 4)  # rounding
    assert np.linalg.det(axes) == pytest.approx(1.0, abs=1e-15 * 4)
    # A turn about z, then a tilt about the turned left axis, by a library of rotations.
    turn = Rotation.from_euler("ZY", [azimuth, -elevation], degrees=True)
    assert turn.apply(np.eye(3)) == pytest.approx(axes, abs=1e-14)
    assert axes[1, 2] == 0.0


def test_aiming():
    position, target = np.array([1.0, 2.0, 6.0]), np.array([20.0, -3.0, 1.2])
    axes = frame_towards(position, target)
    away = (target - position) / np.linalg.norm(target - position)
    assert axes[0] == pytest.approx(away, abs=1e-14)
    assert axes[2, 2] > 0.0
    # Straight down: left stays y.
    assert frame_towards([0.0, 0.0, 5.0], [0.0, 0.0, 0.0])[:2] == pytest.approx(
        np.array([[0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]), abs=1e-15
    )
    with pytest.raises(PhysicalRangeError, match="aimed at its own position"):
        frame_towards(position, position)
