"""Drawn directions and events against their laws; every test has a control that must fail."""

from __future__ import annotations

import numpy as np
import pytest
from agreement import Disagreement, assert_agrees
from scenes import omnidirectional
from scipy import stats

from roomsim.scene.scene import SourceArrays
from roomsim.tracing._paths import lambert_direction
from roomsim.tracing._random import SHEET, SURFACE, ray_key, uniform
from roomsim.tracing.emission import Emission, directivity_towards, radiated

FALSE_ALARM = 1e-6
"""Of each chi-squared test below on a new seed."""


def numbers(stream, n_rays, n_each, seed=1):
    keys = [np.uint64(ray_key(seed, stream, 0, ray)) for ray in range(n_rays)]
    return np.array([[uniform(key, i) for i in range(n_each)] for key in keys])


def chi_squared(counts, expected):
    return stats.chisquare(counts, expected * counts.sum() / expected.sum()).pvalue


def test_numbers_are_uniform_and_streams_and_neighbours_independent():
    a, b = numbers(SURFACE, 400, 100), numbers(SHEET, 400, 100)
    assert a.min() >= 0 and a.max() < 1
    assert chi_squared(np.histogram(a, 100, (0, 1))[0], np.ones(100)) > FALSE_ALARM
    for x, y in ((a, b), (a[:, :-1], a[:, 1:]), (a[:-1], a[1:])):
        pairs = np.histogram2d(x.ravel(), y.ravel(), 12, ((0, 1), (0, 1)))[0].ravel()
        assert chi_squared(pairs, np.ones(144)) > FALSE_ALARM
    control = np.histogram(a**1.05, 100, (0, 1))[0]
    assert chi_squared(control, np.ones(100)) < FALSE_ALARM


@pytest.mark.parametrize("normal", [(0, 0, 1), (0, 0, -1), (0.6, 0, 0.8), (-0.48, 0.64, -0.6)])
def test_lambert_directions_follow_the_cosine(normal):
    u = np.random.default_rng(4).random((40_000, 2)).astype(np.float32)
    n = np.array(normal, np.float32)
    d = np.array([lambert_direction(*n, a, b) for a, b in u])
    np.testing.assert_allclose(np.linalg.norm(d, axis=1), 1.0, atol=2e-6)  # a few ulp of single precision
    cosine = d @ n
    assert cosine.min() >= 0
    # P(angle < theta) = sin^2 theta, so cos^2 is uniform.
    assert chi_squared(np.histogram(cosine**2, 50, (0, 1))[0], np.ones(50)) > FALSE_ALARM
    across = np.cross(n, (0.3, -0.5, 0.81))
    across /= np.linalg.norm(across)
    azimuth = np.arctan2(d @ np.cross(n, across), d @ across)
    assert chi_squared(np.histogram(azimuth, 48, (-np.pi, np.pi))[0], np.ones(48)) > FALSE_ALARM
    # Printed moments: E cos = 2/3 with deviation 0.2357 (derived from p = sin 2 theta).
    assert_agrees(cosine.mean(), 0.235702 / 200, 2 / 3, n_checks=1)
    # Control: a uniform hemisphere has cos uniform, not cos^2.
    assert chi_squared(np.histogram(np.sqrt(cosine**2) ** 4, 50, (0, 1))[0], np.ones(50)) < FALSE_ALARM


def beamed():
    """A cosine-power source aimed off the axes of the room: D^2 = cos^8 forwards, 1e-2 behind."""
    polar = np.linspace(0, np.pi, 37)
    pattern = np.maximum(np.clip(np.cos(polar), 0, 1) ** 8, 1e-2)
    axis = np.array([1.0, 2.0, -0.5]) / np.sqrt(5.25)
    left = np.cross((0, 0, 1), axis)
    left /= np.linalg.norm(left)
    plain = omnidirectional((0, 0, 0))
    balloon = np.ones((1, 37, 36, 8)) * pattern[None, :, None, None]
    balloon[..., 0] = 1.0  # the lowest band goes everywhere
    return SourceArrays(
        plain.names,
        plain.position,
        np.array([[axis, left, np.cross(axis, left)]]),
        balloon,
        plain.level,
        plain.delay,
        plain.active,
    )


def test_emission_weights_add_up_to_the_radiated_power():
    """The weights' sum estimates the integral of the squared directivity, whose closed form is known."""
    from scipy.integrate import quad

    sources = beamed()
    # The balloon is linear between 5 degree steps: integrate that interpolation.
    polar = np.linspace(0, np.pi, 37)
    exact = (
        2
        * np.pi
        * quad(lambda t: np.interp(t, polar, sources.balloon[0, :, 0, 5]) * np.sin(t), 0, np.pi, limit=200)[0]
    )
    assert radiated(sources, 0)[5] == pytest.approx(exact, rel=1e-6)
    assert radiated(sources, 0)[0] == pytest.approx(4 * np.pi, rel=1e-12)
    emission = Emission(sources, 0)
    sums = np.array([emission.draw(7, 0, batch, 4000)[1].sum(axis=0) for batch in range(24)])
    for band, truth in ((0, 4 * np.pi), (5, exact)):
        error = sums[:, band].std(ddof=1) / np.sqrt(24)
        assert error < 0.003 * truth
        assert_agrees(sums[:, band].mean(), error, truth, n_checks=2, degrees_of_freedom=23)
        with pytest.raises(Disagreement):
            assert_agrees(sums[:, band].mean(), error, 1.03 * truth, n_checks=2, degrees_of_freedom=23)


def test_emission_directions_are_aimed_and_weighted_by_what_leaves_there():
    sources = beamed()
    emission = Emission(sources, 0)
    directions, weights = emission.draw(7, 0, 3, 20_000)
    axis = sources.axes[0, 0]
    np.testing.assert_allclose(np.linalg.norm(directions, axis=1), 1.0, atol=1e-6)
    forwards = directions @ axis > np.cos(np.radians(30))
    assert forwards.mean() > 0.3  # 0.067 of the sphere, but most of the sound of seven bands in eight
    # Power within 30 degrees of the axis: 2 pi int_{cos 30}^{1} x^8 dx = 2 pi (1 - cos^9 30) / 9, closed form. The
    # balloon's straight lines between 5 degree steps make that 0.4 % more.
    exact = 2 * np.pi * (1 - np.cos(np.radians(30)) ** 9) / 9
    assert weights[forwards, 5].sum() == pytest.approx(exact, rel=0.01)
    np.testing.assert_allclose(directivity_towards(sources, 0, axis[None])[0], 1.0, rtol=1e-12)


def test_balloon_directions_left_and_up_are_not_swapped():
    plain = omnidirectional((0, 0, 0))
    balloon = np.full((1, 37, 36, 8), 1e-3)
    balloon[0, 18, 9] = 1.0  # 90 degrees off axis, azimuth 90: straight up
    sources = SourceArrays(
        plain.names, plain.position, plain.axes, balloon, plain.level, plain.delay, plain.active
    )
    up, left, down = np.eye(3)[2], np.eye(3)[1], -np.eye(3)[2]
    values = directivity_towards(sources, 0, np.array([up, left, down]))[:, 0]
    assert (
        values[0] == pytest.approx(1.0)
        and values[1] == pytest.approx(1e-3)
        and values[2] == pytest.approx(1e-3)
    )
