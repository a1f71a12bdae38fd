"""Room acoustical parameters against ISO 3382-1 and ISO 3382-2, and against published theory."""

from __future__ import annotations

import numpy as np
import pytest
from responses import FINE_EDGES, decaying, response_of

from roomsim.decay.statistical import diffuse_energy, statistical_response
from roomsim.estimate import Estimate
from roomsim.metrics import room_parameters
from roomsim.metrics.evaluate import evaluate
from roomsim.metrics.registry import METRICS

NO_NOISE = np.full((1, 8), -np.inf)
POWER = np.full((1, 8), 100.0)
"""dB re 1 pW."""


def free_field(distance: float) -> np.ndarray:
    """Energy at a distance from an omnidirectional source of 100 dB in the free field: 10^10 / (4 pi d^2)."""
    return np.array(1e10 / (4.0 * np.pi * distance**2))


@pytest.mark.parametrize(
    ("distance", "strength"), [(1.0, 20.0), (10.0, 0.0), (20.0, -6.0206), (40.0, -12.0412)]
)
def test_strength_of_direct_sound(distance, strength):
    # ISO 3382-1:2009, A.2.1: the strength of the direct sound alone is -20 lg(r / 10 m).
    nothing = np.zeros((2, 1, 400, 1, 8))
    response = response_of(FINE_EDGES, nothing, ((0.0, free_field(distance)),))
    got = evaluate(response, NO_NOISE, POWER)
    np.testing.assert_allclose(got["sound_strength"].full, strength, rtol=0, atol=5e-5)  # last digit
    # Power level less 10 lg(4 pi r^2) (impedance of 400 Pa s/m), here with 10 lg(4 pi) = 10.9921.
    level = 100.0 - 10.9921 - 20.0 * np.log10(distance)
    np.testing.assert_allclose(got["sound_pressure_level"].full, level, rtol=0, atol=5e-5)  # last digit
    assert (got["clarity_c80"].full == np.inf).all()
    assert (got["definition_d50"].full == 1.0).all()


def test_there_is_no_strength_without_a_power():
    response = response_of(FINE_EDGES, np.zeros((2, 1, 400, 1, 8)), ((0.0, free_field(5.0)),))
    assert np.isnan(evaluate(response, NO_NOISE)["sound_strength"].full).all()


def test_clarity_and_definition_say_the_same():
    # ISO 3382-1:2009, Equation (A.12): C50 = 10 lg(D50 / (1 - D50)).
    rng = np.random.default_rng(2)
    late = rng.gamma(1.0, 1.0, (2, 5, 400, 1, 8)) * decaying(FINE_EDGES, lambda time: np.exp(-8.0 * time))
    got = evaluate(response_of(FINE_EDGES, late), NO_NOISE)
    share = got["definition_d50"].full
    np.testing.assert_allclose(got["clarity_c50"].full, 10.0 * np.log10(share / (1.0 - share)), rtol=1e-12)


# Barron and Lee, JASA 84 (1988) 618 (from memory), revised theory: d = 100/r^2, reverberant 31200 (T/V)
# exp(-0.04 r/T), of which the share exp(-1.11/T) is late. Columns: V, T, r, G, C80, worked out with these
# constants.
REVISED = [
    (20000.0, 2.0, 10.0, 5.5077, 1.5347),
    (20000.0, 2.0, 20.0, 3.6948, -0.2220),
    (20000.0, 2.0, 30.0, 2.6088, -0.6805),
    (20000.0, 2.0, 40.0, 1.6566, -0.8640),
    (12000.0, 1.8, 10.0, 6.7646, 1.2941),
    (12000.0, 1.8, 20.0, 5.1198, 0.0307),
    (12000.0, 1.8, 30.0, 4.0035, -0.2760),
    (12000.0, 1.8, 40.0, 2.9809, -0.3956),
]


@pytest.mark.parametrize(("volume", "time_60", "distance", "strength", "clarity"), REVISED)
def test_revised_theory(volume, time_60, distance, strength, clarity):
    time = np.full((1, 8), time_60)
    reverberant = diffuse_energy(POWER, time, volume, np.array([distance]), 343.2)
    direct = np.broadcast_to(free_field(distance), (1, 1, 8))
    got = evaluate(statistical_response(FINE_EDGES, time, reverberant, direct), NO_NOISE, POWER)
    # The printed constants are rounded: 4 pi 10^2 times 4 over 0.16102 gives 31217 (0.0024 dB), 6 ln 10 / c
    # gives 0.040255, and 6 ln 10 times 80 ms gives 1.1052, which moves the late part and, some 1.4 times as
    # much, the early one.
    rounding = 0.0024 + 4.343 * 0.000255 * distance / time_60
    np.testing.assert_allclose(got["sound_strength"].full, strength, rtol=0, atol=rounding)
    rounding += 4.343 * 0.0048 / time_60 * 2.4
    np.testing.assert_allclose(got["clarity_c80"].full, clarity, rtol=0, atol=rounding)
    # What was not sampled has no standard error: the two replicates are equal, up to rounding of the sums.
    assert got["sound_strength"].estimate().standard_error.max() < 1e-9
    # The decay itself is the one put in: single precision of its bins over a fall of 30 dB.
    np.testing.assert_allclose(got["reverberation_time_t30"].full, time_60, rtol=1e-6)


def test_statistical_level_without_travel_is_the_classical_one():
    # Hopkins and Stryker, Proc. IRE 36 (1948) 315 (from memory): Lp - LW = 10 lg(Q / 4 pi r^2 + 4 / A),
    # worked out for the hall of 4800 m3 with A = 396 m2: -19.6270 dB at 10 m, -19.8716 dB at 20 m.
    absorption_area = 396.0
    speed = 343.2
    time = np.full((1, 8), 24.0 * np.log(10.0) * 4800.0 / (speed * absorption_area))
    for distance, expected in [(10.0, -19.6270), (20.0, -19.8716)]:
        reverberant = diffuse_energy(POWER, time, 4800.0, np.array([1e-6]), speed)
        direct = np.broadcast_to(free_field(distance), (1, 1, 8))
        got = evaluate(statistical_response(FINE_EDGES, time, reverberant, direct), NO_NOISE)
        # Half the last digit; bins in single precision, 3e-7 dB.
        np.testing.assert_allclose(got["sound_pressure_level"].full - 100.0, expected, rtol=0, atol=6e-5)


def test_a_weighted_level():
    # IEC 61672-1:2013, Table 3 (from memory), printed to 0.1 dB: one band at a time, and all together.
    weighting = np.array([-26.2, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1])
    levels = np.where(np.eye(8, dtype=bool), 80.0, -np.inf)
    late = np.zeros((2, 8, 400, 1, 8))
    response = response_of(FINE_EDGES, late, ((0.0, 10.0 ** (levels[:, None] / 10.0)),))
    got = evaluate(response, NO_NOISE, metrics=["a_weighted_level"])
    np.testing.assert_allclose(got["a_weighted_level"].full[:, 0], 80.0 + weighting, rtol=0, atol=0.06)


# ISO 3382-1:2009, Table A.1 (from memory); speech: Bradley, Reich and Norcross, JASA 106 (1999) 1820 (from
# memory).
@pytest.mark.parametrize(
    ("name", "difference", "is_relative"),
    [
        ("sound_strength", 1.0, False),
        ("early_decay_time", 0.05, True),
        ("clarity_c80", 1.0, False),
        ("definition_d50", 0.05, False),
        ("centre_time", 10.0, False),
        ("speech_transmission_index", 0.03, False),
    ],
)
def test_just_noticeable_differences(name, difference, is_relative):
    metric = METRICS[name]
    assert metric.just_noticeable_difference == difference
    assert metric.is_relative is is_relative


def test_curvature_is_the_excess_of_t30():
    # ISO 3382-2:2008, Annex B: a T30 of 2.2 s beside a T20 of 2.0 s is a curvature of 10 %.
    assert room_parameters.curvature(np.array(2.0), np.array(2.2)) == pytest.approx(10.0, rel=0, abs=1e-9)  # rounding


def test_a_decay_counts_as_bent_only_beyond_doubt():
    # Limits of the 95 % interval for 20 replicates, Student's factor 2.093: 14 - 4.2 and 14 - 2.1.
    curvature = Estimate(np.array([14.0, 14.0, 9.0]), np.array([2.0, 1.0, 0.0]), 20)
    assert room_parameters.is_bent(curvature).tolist() == [False, True, False]


def test_non_linearity_of_a_parabola():
    # Decay L = -10 t - 25 t^2 from 0 to 1 s, in the range -5 to -35 dB. With t = m + h u, u in -1..1, h half
    # the width: line and parabola are orthogonal, so 1 - r^2 = p^2 / (s^2 + p^2) with variances s^2 = (slope
    # h)^2 / 3 and p^2 = (25 h^2)^2 4 / 45.
    edges = 0.0005 * np.arange(3401)
    late = decaying(edges, lambda time: 10.0 ** ((-10.0 * time - 25.0 * time**2) / 10.0))
    got = evaluate(response_of(edges, late), NO_NOISE)
    start = (-10.0 + np.sqrt(100.0 + 4.0 * 25.0 * 5.0)) / 50.0
    half = (1.0 - start) / 2.0
    slope = 10.0 + 2.0 * 25.0 * (start + half)
    parabola = (25.0 * half**2) ** 2 * 4.0 / 45.0
    line = (slope * half) ** 2 / 3.0
    xi = got["non_linearity"].full
    # Straight pieces of 0.5 ms leave 1e-6 of the parabola out; the tail at -89 dB lifts -35 dB by 2e-5 dB.
    np.testing.assert_allclose(xi, 1000.0 * parabola / (line + parabola), rtol=1e-4)
