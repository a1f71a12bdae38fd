"""Rooms that no single reverberation time describes: endless planes, corridors, flat and long halls."""

from __future__ import annotations

import numpy as np
import pytest
from agreement import Disagreement, assert_agrees
from reference.flat_room import between_diffuse_planes, between_mirrors, between_rigid_mirrors
from reference.lambert_box import lambert_time
from scenes import WALLS, box_scene
from traced import slope_time, spread_seats, traced

BLACK = {"west": 1.0, "east": 1.0, "south": 1.0, "north": 1.0}
DISTANCES = (5.0, 10.0, 20.0)


def rings(distances, centre, n=36):
    """n seats at each distance all round the source: the planes look the same from each."""
    azimuth = 2.0 * np.pi * np.arange(n) / n + 0.1
    circle = np.stack([np.cos(azimuth), np.sin(azimuth), np.zeros(n)], axis=1)
    return np.concatenate([centre + r * circle for r in distances])


def energy_between_planes(reflection, scattering, image_order):
    """Mean and error of the steady energy at DISTANCES, re the direct one at 1 m; planes 5 m apart and 700 m
    wide, open at the rim, both points midway."""
    centre = np.array([350.0, 350.0, 2.5])
    absorption = BLACK | {"floor": 1.0 - reflection, "ceiling": 1.0 - reflection}
    scene = box_scene((700, 700, 5), absorption, scattering, centre, rings(DISTANCES, centre))
    energy, _ = traced(scene, 1.0, 16, 12000, image_order)
    total = energy[..., 0, 0].sum(axis=2).reshape(16, len(DISTANCES), -1).mean(axis=2) / 10**9.4
    return total.mean(axis=0), total.std(axis=0, ddof=1) / 4.0


def test_sums_over_mirrors_have_their_closed_form():
    """The reference itself: Mittag-Leffler for rigid planes, and two sums to ten digits made elsewhere for
    this project."""
    for r in DISTANCES:
        # What is left out beyond 4000 images of either side: 2 / (h^2 n).
        left_out = 2.0 / (25.0 * 4000.0)
        rigid = between_rigid_mirrors(r, 5.0)
        assert between_mirrors(r, 5.0, 1.0) == pytest.approx(rigid, abs=1.01 * left_out)
    assert between_mirrors(10.0, 5.0, 0.9) == pytest.approx(0.0451090720, abs=1e-10)
    assert between_mirrors(10.0, 5.0, 0.5) == pytest.approx(0.0216562096, abs=1e-10)


@pytest.mark.parametrize("reflection", [0.9, 0.5])
def test_mirror_planes(reflection):
    value, error = energy_between_planes(reflection, 0.0, image_order=2)
    exact = np.array([between_mirrors(r, 5.0, reflection) for r in DISTANCES])
    # 0.05 %: mean over a sphere of 0.5 m of what is traced, from order 3 on (15 m: rho^2 / 5 d^2 = 0.02 %).
    both = np.hypot(error, 5e-4 * exact)
    assert (both < 0.01 * exact).all()
    assert_agrees(value, both, exact, n_checks=6, degrees_of_freedom=15)
    other = np.array([between_mirrors(r, 5.0, reflection + 0.02) for r in DISTANCES])
    with pytest.raises(Disagreement):  # control: planes that absorb 0.02 less
        assert_agrees(value, both, other, n_checks=6, degrees_of_freedom=15)


@pytest.mark.parametrize("reflection", [0.9, 0.6])
def test_diffuse_planes(reflection):
    value, error = energy_between_planes(reflection, 1.0, image_order=0)
    exact = np.array([between_diffuse_planes(r, 5.0, reflection) for r in DISTANCES])
    # 0.3 %: mean over a sphere of 0.5 m, 2.5 m from lit planes (rho^2 / 10 times the curvature of the field).
    both = np.hypot(error, 3e-3 * exact)
    assert (both < 0.02 * exact).all()
    assert_agrees(value, both, exact, n_checks=6, degrees_of_freedom=15)
    mirrors = np.array([between_mirrors(r, 5.0, reflection) for r in DISTANCES])
    with pytest.raises(Disagreement):  # control: mirror planes are another room
        assert_agrees(value, both, mirrors, n_checks=6, degrees_of_freedom=15)


def test_mirror_corridor():
    """3 x 3 m, R = 0.9, ends open: sum over all images R^(|m| + |n|) / d^2, 5 to 40 m from the source.

    Source and seats lie off the axis: on it every second image would be seen along an edge. On the axis the
    sums are 0.853, 0.520, 0.274 and 0.120 (worked out for this project); the mean over six seats comes close.
    """
    source = np.array([300.0, 1.1, 1.3])
    across = [(1.0, 1.2), (1.9, 1.6), (1.4, 1.9)]
    distances = (5.0, 10.0, 20.0, 40.0)
    receivers = np.array([(300.0 + s * r, y, z) for r in distances for s in (1, -1) for y, z in across])
    absorption = BLACK | {"south": 0.1, "north": 0.1, "floor": 0.1, "ceiling": 0.1}
    scene = box_scene((600, 3, 3), absorption, 0.0, source, receivers)
    energy, _ = traced(scene, 0.8, 16, 12000, image_order=3)
    total = energy[..., 0, 0].sum(axis=2).reshape(16, 4, 6).mean(axis=2) / 10**9.4
    order = np.arange(-400, 401)
    place = [np.where(order % 2 == 0, 3.0 * order + s, 3.0 * (order + 1) - s) for s in source[1:]]
    loss = 0.9 ** (np.abs(order)[:, None] + np.abs(order))
    exact = np.empty(len(receivers))
    for i, (x, y, z) in enumerate(receivers):
        squares = (x - 300.0) ** 2 + (place[0][:, None] - y) ** 2 + (place[1] - z) ** 2
        exact[i] = (loss / squares).sum()
    exact = exact.reshape(4, 6).mean(axis=1)
    np.testing.assert_allclose(exact, [0.853, 0.520, 0.274, 0.120], rtol=0.01)  # the places off the axis
    # 0.2 %: mean over a sphere of 0.5 m of order 4 and more, rho^2 / (5 d^2) at 5 m.
    both = np.hypot(total.std(axis=0, ddof=1) / 4.0, 2e-3 * exact)
    assert (both < 0.02 * exact).all()
    assert_agrees(total.mean(axis=0), both, exact, n_checks=4, degrees_of_freedom=15)
    further = exact * (np.array(distances) / (np.array(distances) + 1.0))
    with pytest.raises(Disagreement):  # control: a fall by the distance law of a line, 1 m further on
        assert_agrees(total.mean(axis=0), both, further, n_checks=4, degrees_of_freedom=15)


# Room, windows of the slope, steps of the reference (that divide the sides), Eyring's time for a = 0.1.
ROOMS = {
    "long": ((60, 5, 5), (0.6, 1.6), (2.5, 1.25), 1.8339),
    "flat": ((40, 40, 4), (0.4, 1.6), (4.0, 2.0), 2.5471),
}


@pytest.mark.parametrize("name", ROOMS)
def test_decay_of_flat_and_long_diffuse_rooms(name):
    """Lambert walls, a = 0.1 everywhere: slower by 3 to 4 % than Eyring, whose paths are equally long."""
    size, window, steps, eyring = ROOMS[name]
    coarse, fine = (lambert_time(size, [0.1] * 6, step) for step in steps)
    # Errors of the rule of centres fall with the square of the step.
    exact = fine + (fine - coarse) / 3.0
    scene = box_scene(size, dict.fromkeys(WALLS, 0.1), 1.0, 0.4 * np.array(size), spread_seats(size, 150))
    energy, edges = traced(scene, window[1], 16, 12000)
    times = slope_time(edges, energy.mean(axis=1)[..., 0, 0], *window)
    # 0.3 %: what the extrapolation leaves, some 0.1 %, and what faster modes of the room still add in the
    # first window.
    error = np.hypot(times.std(ddof=1) / 4.0, 0.003 * exact)
    assert error < 0.006 * exact
    assert_agrees(times.mean(), error, exact, n_checks=2, degrees_of_freedom=15, false_alarm=1e-4)
    with pytest.raises(Disagreement):  # control
        assert_agrees(times.mean(), error, eyring, n_checks=2, degrees_of_freedom=15, false_alarm=1e-4)
