"""Level and intelligibility against distance: worked values and other routes to them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from roomsim.physics.distance import (
    articulation_loss_from_sti,
    articulation_loss_peutz,
    critical_distance,
    revised_theory,
)


def test_critical_distance():
    # 0.057 sqrt(Q V / T), the form in the handbooks: A = 0.161 V / T. Half the last digit of 0.057: 0.9 %.
    for q, v, t in ((1.0, 4800.0, 2.0), (5.0, 4800.0, 2.0)):
        assert critical_distance(0.161 * v / t, q) == pytest.approx(0.057 * np.sqrt(q * v / t), rel=9e-3)
    assert critical_distance(366.0) == pytest.approx(2.6984, abs=5e-5)  # half the last digit
    # There direct and reverberant sound are equal.
    r = critical_distance(396.0, 5.0)
    assert 5.0 / (4.0 * np.pi * r**2) == pytest.approx(4.0 / 396.0, rel=1e-12)


@pytest.mark.parametrize(
    ("volume", "time", "strength", "clarity", "classical"),
    # Barron and Lee's formula with their rounded constants, worked apart from this program.
    [
        (
            20000.0,
            2.0,
            (5.5077, 3.6948, 2.6088, 1.6566),
            (1.5347, -0.2220, -0.6805, -0.8640),
            4.9415,
        ),
        (
            12000.0,
            1.8,
            (6.7646, 5.1198, 4.0035, 2.9809),
            (1.2941, 0.0307, -0.2760, -0.3956),
            6.7025,
        ),
    ],
)
def test_revised_theory(volume, time, strength, clarity, classical):
    distance = np.array([10.0, 20.0, 30.0, 40.0])
    direct, early, late = revised_theory(distance, time, volume)
    # 0.04 for 0.040255 makes up 0.0011 dB per metre and second of T, 31 200 for 31 217 0.002 dB.
    assert 10.0 * np.log10(direct + early + late) == pytest.approx(strength, abs=0.003 + 0.0011 * 40.0 / time)
    # 1.11 for 1.1052: 0.005 / T nepers and its complement, 0.05 dB / T at most; clarity does not depend on
    # 0.04 but through the direct sound.
    assert 10.0 * np.log10((direct + early) / late) == pytest.approx(clarity, abs=0.05 / time)
    # Classical theory is the limit without the distance.
    everywhere = sum(revised_theory(1e-6, time, volume)[1:])
    assert 10.0 * np.log10(everywhere) == pytest.approx(classical, abs=0.003)
    # Control: it is louder than what is found 40 m away.
    assert classical - strength[-1] > 1.0


def test_revised_theory_is_the_decay_from_the_direct_sound_on():
    # The reverberant energy of a source of unit power from r / c on, by integration: (c / V) exp(-13.8 t /
    # T) is the squared pressure times rho c; the direct sound at 10 m is 1 / (4 pi 100).
    volume, time, r, c = 15000.0, 1.7, 25.0, 343.2
    rate = 6.0 * np.log(10.0) / time

    def energy(start, stop):
        return quad(lambda t: c / volume * np.exp(-rate * t), start, stop)[0] * 4.0 * np.pi * 100.0

    direct, early, late = revised_theory(r, time, volume)
    assert direct == pytest.approx(100.0 / r**2, rel=1e-12)
    assert early == pytest.approx(energy(r / c, r / c + 0.08), rel=1e-9)
    assert late == pytest.approx(energy(r / c + 0.08, r / c + 20.0), rel=1e-9)


def test_peutz():
    # 200 * 100 * 2.25 / (4800 * 5) = 1.875 %; a second source doubles it; beyond the limiting distance 9 T.
    assert articulation_loss_peutz(10.0, 1.5, 4800.0, 5.0) == pytest.approx(1.875, rel=1e-12)
    assert articulation_loss_peutz(10.0, 1.5, 4800.0, 5.0, other_sources=1) == pytest.approx(3.75, rel=1e-12)
    assert articulation_loss_peutz(15.0, 2.0, 10000.0, 5.0) == pytest.approx(3.6, rel=1e-12)
    assert articulation_loss_peutz([60.0, 100.0], 1.5, 4800.0, 5.0) == pytest.approx([13.5, 13.5], rel=1e-12)
    assert articulation_loss_peutz(100.0, 20.0, 1e5) == 100.0
    # The two branches meet to the rounding of 0.21: 200 * 0.0441 = 8.82 for 9, 2 %.
    for others in (0, 3):
        limit = 0.21 * np.sqrt(4800.0 * 5.0 / 1.5 / (others + 1.0))
        near, far = articulation_loss_peutz(limit * np.array([0.9999, 1.0001]), 1.5, 4800.0, 5.0, others)
        assert near / far == pytest.approx(0.98, abs=0.001)


def test_articulation_loss_and_sti():
    # Table of Farrel Becker's fit (from memory), 4 or 5 digits.
    sti = np.array([0.30, 0.45, 0.50, 0.60, 0.75, 1.00])
    loss = np.array([33.558, 14.886, 11.353, 6.6033, 2.9292, 0.7558])
    assert articulation_loss_from_sti(sti) == pytest.approx(loss, rel=7e-5)  # half the last digit of .7558
    # The inverse as it is quoted, 0.9482 - 0.1845 ln(loss), is rounded to 1e-4 in each figure: 5e-4 of 5.419.
    quoted = np.array([0.7455, 0.5892, 0.5058, 0.4486, 0.3955, 0.3031])
    assert articulation_loss_from_sti(quoted) == pytest.approx([3.0, 7.0, 11.0, 15.0, 20.0, 33.0], rel=3e-3)
