"""Two slopes in one decay, against coupled rooms solved with a general library."""

from __future__ import annotations

import numpy as np
import pytest
from responses import FINE_EDGES, decaying, response_of
from scipy.linalg import expm

from roomsim.decay.slopes import two_slopes, two_slopes_of_all_seats

SPEED_OF_SOUND = 343.2
EDGES = np.concatenate(
    [np.arange(0, 100, 5), np.arange(100, 300, 10), np.arange(300, 1000, 25), np.arange(1000, 5001, 50)]
) / 1000.0  # fmt: skip


def coupled_decay(volumes, absorption_areas, aperture):
    """Decay curve (dB) in room 1 after a steady source there stops, and the energy balance behind it.

    Cremer and Mueller, Principles and Applications of Room Acoustics (1982), on coupled rooms (from memory):
    dE_i/dt = -(c / 4 V_i) [(A_i + S) E_i - S E_j].
    """
    quarter = SPEED_OF_SOUND / 4.0
    (v1, v2), (a1, a2) = volumes, absorption_areas
    balance = quarter * np.array(
        [[-(a1 + aperture) / v1, aperture / v1], [aperture / v2, -(a2 + aperture) / v2]]
    )
    steady = np.linalg.solve(balance, [-1.0, 0.0])
    energy = np.array([(expm(balance * time) @ steady)[0] for time in EDGES])
    return 10.0 * np.log10(energy / energy[0])


# Reverberation times from the closed roots of the balance and share of the slow part in room 1 after steady
# excitation, worked out by hand to the digits given.
@pytest.mark.parametrize(
    ("volumes", "areas", "aperture", "early", "late", "share"),
    [
        ((5000.0, 10000.0), (600.0, 250.0), 60.0, 1.21334, 5.31558, 0.029590),
        ((2000.0, 2000.0), (200.0, 50.0), 10.0, 1.52869, 5.42737, 0.015400),
    ],
)
def test_coupled_rooms(volumes, areas, aperture, early, late, share):
    fit = two_slopes(EDGES, coupled_decay(volumes, areas, aperture))
    # The curve is straight in dB between edges instead of bent: with 25 ms, and 50 ms late in the decay, 0.002 dB
    # at most, as the misfit shows; over the 20 dB that decide each slope that is 1e-4 of the faster time, and of the
    # slower one as much again for what the share takes up.
    assert fit.misfit < 0.002
    assert fit.early_time / early == pytest.approx(1.0, rel=0, abs=3e-4)
    assert fit.late_time / late == pytest.approx(1.0, rel=0, abs=6e-4)
    assert fit.late_share / share == pytest.approx(1.0, rel=0, abs=2e-3)  # 0.004 dB over 4.34 dB, twice
    # At the bend both parts are equally strong: check by summing them.
    parts = [
        (1.0 - share) * 10.0 ** (-6.0 * fit.bend_time / early),
        share * 10.0 ** (-6.0 * fit.bend_time / late),
    ]
    assert abs(10.0 * np.log10(parts[0] / parts[1])) < 0.05  # 0.03 dB from the tolerances above


@pytest.mark.parametrize("duration", [2.0, 15.0])
def test_two_exponentials_are_found_in_a_response(duration):
    """Energy still to come 0.95 at 0.8 s and 0.05 at 3 s of reverberation; the fit begins 50 ms after the direct sound.
    After 15 s nothing is left to come at the last edge."""
    edges = np.concatenate([FINE_EDGES[FINE_EDGES < 1.0], np.arange(1.0, duration + 1e-9, 0.02)])
    late = decaying(edges, lambda t: 0.95 * 10.0 ** (-6.0 * t / 0.8) + 0.05 * 10.0 ** (-6.0 * t / 3.0))
    fit = two_slopes_of_all_seats(response_of(edges, late, ((0.0, np.ones(8)),)), 4)
    # Straight in dB between edges of 20 ms, as above; after 2 s, -40 dB of the slow part, the tail is exact.
    assert fit.early_time == pytest.approx(0.8, rel=1e-3)
    assert fit.late_time == pytest.approx(3.0, rel=1e-3)
    parts = np.array([0.95, 0.05]) * 10.0 ** (-6.0 * 0.05 / np.array([0.8, 3.0]))
    assert fit.late_share == pytest.approx(parts[1] / parts.sum(), rel=2e-3)


def test_straight_decay_has_one_time():
    fit = two_slopes(FINE_EDGES, -60.0 * FINE_EDGES / 1.7)
    assert abs(fit.early_time - 1.7) < 1e-3 or fit.late_share > 0.999  # either both are alike or one is all
    assert fit.misfit < 1e-6


def test_too_short_a_decay_has_no_two_slopes():
    assert FINE_EDGES[-1] * 10.0 < 25.0
    assert two_slopes(FINE_EDGES, -10.0 * FINE_EDGES) is None
