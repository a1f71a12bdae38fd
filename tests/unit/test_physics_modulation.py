"""Closed-form modulation transfer against the integral that defines it and against published indices."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from roomsim.physics.modulation import DECAY_CONSTANT, modulation_in_noise, modulation_of_decay

FREQUENCIES = np.array([0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5])
"""Nominal modulation frequencies of IEC 60268-16."""


def index(m):
    """Mean transmission index of one band: the apparent signal-to-noise ratio in +-15 dB, to 0 .. 1."""
    with np.errstate(divide="ignore"):
        apparent = 10.0 * np.log10(m / (1.0 - m))
    return np.mean((np.clip(apparent, -15.0, 15.0) + 15.0) / 30.0)


@pytest.mark.parametrize("ratio", [0.0, 0.25, 4.0])
@pytest.mark.parametrize(("frequency", "time"), [(0.63, 3.0), (4.0, 1.2), (12.5, 0.4)])
def test_transform_of_the_decay(frequency, time, ratio):
    # Squared impulse response: a pulse of energy `ratio`, then a decay of energy 1 by 60 dB in `time`.
    rate, omega = np.log(1e6) / time, 2.0 * np.pi * frequency
    real, imaginary = (
        # 25 time constants: e^-25 is left out.
        quad(lambda t, turn=turn: rate * np.exp(-rate * t) * turn(omega * t), 0.0, 25.0 / rate, limit=400)[0]
        for turn in (np.cos, np.sin)
    )
    expected = np.hypot(ratio + real, imaginary) / (ratio + 1.0)
    assert modulation_of_decay(frequency, time, ratio) == pytest.approx(expected, abs=1e-8)  # quadrature


def test_published_speech_transmission_indices():
    # Index of a pure decay, 14 nominal frequencies, no noise: worked apart from this program, 5 digits.
    for time, value in ((0.5, 0.73630), (1.0, 0.58848), (2.0, 0.43736), (5.0, 0.26365)):
        assert index(modulation_of_decay(FREQUENCIES, time)) == pytest.approx(value, abs=1e-5)
    # Noise alone: (SNR + 15) / 30, and held to 0 and 1.
    published = ((-20.0, 0.0), (-15.0, 0.0), (-5.0, 1.0 / 3.0), (0.0, 0.5), (10.0, 0.83333), (15.0, 1.0))
    for noise, value in published:
        assert index(np.full(14, modulation_in_noise(noise))) == pytest.approx(value, abs=5e-6)
    # Both: the product. A direct sound as strong as the decay lifts 2 s from .437 to .597. Worked with 13.8
    # in place of 6 ln 10: a slightly longer time does the same.
    two_seconds = 2.0 * DECAY_CONSTANT / 13.8
    both = modulation_of_decay(FREQUENCIES, two_seconds) * modulation_in_noise(10.0)
    assert index(both) == pytest.approx(0.40690, abs=1e-5)
    assert index(modulation_of_decay(FREQUENCIES, two_seconds, 1.0)) == pytest.approx(0.59731, abs=1e-5)
    # Control: T and T / 2 are far apart at this precision.
    assert abs(index(modulation_of_decay(FREQUENCIES, 1.9)) - 0.43736) > 0.01


def test_limits_and_shapes():
    assert modulation_of_decay(0.0, 5.0) == 1.0
    assert modulation_of_decay(12.5, 1e6) < 1e-6
    assert modulation_of_decay(FREQUENCIES[:, None], np.ones(8), np.linspace(0.0, 3.0, 8)).shape == (14, 8)
    # Never negative, never above 1, and more direct sound never lowers it.
    m = modulation_of_decay(FREQUENCIES[:, None], 2.0, np.linspace(0.0, 50.0, 200))
    assert ((m > 0.0) & (m <= 1.0)).all()
    assert (np.diff(m[-1]) > 0.0).all()
    assert modulation_in_noise(np.array([-np.inf, np.inf])) == pytest.approx([0.0, 1.0])
