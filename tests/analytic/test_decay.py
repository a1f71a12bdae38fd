"""Decays whose parameters are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from reference.decay import Decay, sampled_modulation
from responses import FINE_EDGES, UNEVEN_EDGES, decaying, response_of

from roomsim.decay.curves import EVALUATION_RANGES, KnownEnergy, SeatEnergy, response_tail, seat_energies
from roomsim.decay.response import MODULATION_FREQUENCIES, Arrivals
from roomsim.metrics.evaluate import evaluate
from roomsim.metrics.registry import METRICS
from roomsim.metrics.speech import transmission_index
from roomsim.tracing.replay import time_bins

RATE = 6.0 * np.log(10.0)
"""Rate times reverberation time."""
NO_NOISE = np.full((1, 8), -np.inf)
EDT, T20, T30 = EVALUATION_RANGES
EDGES = pytest.mark.parametrize("edges", [FINE_EDGES, UNEVEN_EDGES], ids=["even", "uneven"])


def exponential(time_60: float):
    return lambda time: np.exp(-RATE * time / time_60)


def two_exponentials(share: float, time_1: float, time_2: float):
    return lambda time: share * exponential(time_1)(time) + (1.0 - share) * exponential(time_2)(time)


def full_sum(response) -> SeatEnergy:
    return next(seat_energies(response, response_tail(response), slice(None)))


@EDGES
@pytest.mark.parametrize("time_60", [0.3, 1.0, 2.0, 3.0])
def test_pure_exponential_has_its_reverberation_time(edges, time_60):
    slopes = full_sum(response_of(edges, decaying(edges, exponential(time_60)))).slopes
    for name in EVALUATION_RANGES:
        # Every point of the decay lies on the line: rounding alone, grown by the sums over some 300 edges.
        np.testing.assert_allclose(slopes.time[name], time_60, rtol=1e-9)
        np.testing.assert_allclose(slopes.non_linearity[name], 0.0, atol=1e-9)


# Pure exponential from time zero: C = 10 lg(exp(k t/T) - 1), D50 = 1 - exp(-k 0.05/T), Ts = T/k with k = 6
# ln 10; worked out from the definitions of ISO 3382-1:2009, A.2.3, and printed to four decimals.
EXPONENTIAL_TABLE = [
    # T, C50, C80, D50, Ts in ms
    (0.5, 4.7437, 9.0956, 0.74881, 36.191),
    (1.0, -0.0206, 3.0534, 0.49881, 72.382),
    (1.5, -2.3292, 0.3715, 0.36904, 108.574),
    (2.0, -3.8454, -1.3206, 0.29205, 144.765),
    (3.0, -5.8683, -3.5121, 0.20567, 217.147),
    (5.0, -8.2929, -6.0663, 0.12904, 361.912),
]


@EDGES
@pytest.mark.parametrize(("time_60", "c50", "c80", "d50", "ts"), EXPONENTIAL_TABLE)
def test_energy_parameters_of_an_exponential(edges, time_60, c50, c80, d50, ts):
    got = evaluate(response_of(edges, decaying(edges, exponential(time_60))), NO_NOISE)
    for name, truth, tolerance in [
        ("clarity_c50", c50, 6e-5),  # half the last printed digit, and rounding
        ("clarity_c80", c80, 6e-5),
        ("definition_d50", d50, 6e-6),
        # Half the last digit, and late energy counted at the middle of its bin: k w^2 / (12 T) for each
        # width, weighted with the energy in bins of that width.
        ("centre_time", ts, 6e-4 + 1000.0 * moment_bias(edges, time_60)),
    ]:
        np.testing.assert_allclose(got[name].full, truth, rtol=0, atol=tolerance, err_msg=name)


def moment_bias(edges, time_60):
    widths = np.diff(edges)
    energy = np.exp(-RATE * edges[:-1] / time_60) - np.exp(-RATE * edges[1:] / time_60)
    return (energy * RATE * widths**2 / (12.0 * time_60)).sum()


# Decay exp(-k t/T) cut at t1 and not compensated. Regression over a dense even grid, made independently
# twice; to 0.0005. Rows: t1/T, then EDT, T20, T30 over T.
TRUNCATED = [
    (0.4, 0.9859, 0.8682, 0.7777),
    (0.5, 0.9964, 0.9552, 0.8792),
    (0.6, 0.9991, 0.9875, 0.9492),
    (0.75, 0.9999, 0.9984, 0.9915),
    (1.0, 1.0, 0.9999, 0.9997),
]


@pytest.mark.parametrize("row", TRUNCATED)
def test_truncated_decay_without_compensation_is_too_steep(row):
    end, expected = row[0], row[1:]
    edges = np.linspace(0.0, end, 2001)
    energy = -np.diff(np.exp(-RATE * edges))[None, :, None, None] * np.ones(8)
    nothing = np.zeros((1, 1, 8))
    none = Arrivals(np.zeros(2, int), np.zeros((0, 8)), np.zeros((0, 1, 8)))
    cut = SeatEnergy(
        edges,
        energy,
        KnownEnergy(none, zero=nothing),
        tail=nothing,
        tail_rate=np.full((1, 8), np.inf),
        end_level=nothing - np.inf,
        direct=nothing,
        early_modulation=np.zeros((1, 14, 1, 8), complex),
    )
    got = [cut.slopes.time[name][0, 0, 0] for name in EVALUATION_RANGES]
    np.testing.assert_allclose(got, expected, rtol=0, atol=5e-4)  # as the table says


@EDGES
@pytest.mark.parametrize("row", TRUNCATED)
def test_compensated_decay_is_right_or_not_evaluated(edges, row):
    end = row[0]
    # The response stops at 2 s.
    time_60 = edges[-1] / end
    seats = full_sum(response_of(edges, decaying(edges, exponential(time_60))))
    np.testing.assert_allclose(seats.end_level, -60.0 * end, rtol=1e-9)  # rounding
    for name, (_, lower) in EVALUATION_RANGES.items():
        if -60.0 * end <= lower:
            np.testing.assert_allclose(seats.slopes.time[name], time_60, rtol=1e-9)  # rounding
        else:
            assert np.isnan(seats.slopes.time[name]).all()
            assert np.isnan(seats.slopes.non_linearity[name]).all()


# Double slopes: integrated decay a exp(-k t/T1) + (1 - a) exp(-k t/T2). Dense regression, made independently
# twice; to the last digit but one. Columns: a, T1, T2, EDT, T20, T30, C80.
DOUBLE = [
    (0.9, 1.0, 3.0, 1.1748, 2.0747, 2.5285, 2.3636),
    (0.99, 1.0, 3.0, 1.0154, 1.0931, 1.3432, 2.9829),
    (0.5, 1.0, 2.0, 1.5398, 1.8687, 1.9266, 0.8139),
]


@pytest.mark.parametrize("row", DOUBLE)
def test_double_slope(row):
    share, time_1, time_2, *expected = row
    edges = 0.005 * np.arange(601)
    response = response_of(edges, decaying(edges, two_exponentials(share, time_1, time_2)))
    got = evaluate(response, NO_NOISE, metrics=[EDT, T20, T30, "clarity_c80", "curvature"])
    for name, truth in zip((EDT, T20, T30, "clarity_c80"), expected, strict=True):
        # 2e-4: digits of the table, and straight pieces over 5 ms in place of the bend (second order in 5
        # ms).
        np.testing.assert_allclose(got[name].full, truth, rtol=0, atol=2e-4, err_msg=name)
    # C of ISO 3382-2 from the table's own times, two of them, each known to 2e-4 of some 1 to 3 s.
    curvature = 100.0 * (expected[2] / expected[1] - 1.0)
    np.testing.assert_allclose(got["curvature"].full, curvature, rtol=0, atol=100.0 * 3 * 2e-4)


def test_direct_sound_and_tail():
    # m = |x + 1/(1 + j 2 pi F T/13.8155)| / (1 + x) with x the direct-to-reverberant energy ratio: Schroeder,
    # Acustica 49 (1981) 179. Mean transmission index for T = 2 s from a table made with 13.8, hence 5e-4.
    for ratio, index in [(1.0, 0.59731), (4.0, 0.76459), (0.25, 0.48599)]:
        late = 1e8 * decaying(FINE_EDGES, exponential(2.0))
        response = response_of(FINE_EDGES, late, ((0.0, np.array(1e8 * ratio)),))
        got = evaluate(response, NO_NOISE)
        np.testing.assert_allclose(
            got["direct_to_reverberant_ratio"].full, 10.0 * np.log10(ratio), rtol=0, atol=1e-6
        )  # the tail is compensated to rounding
        seats = full_sum(response)
        m = np.abs(seats.modulation / seats.total[:, None])[0, :, 0, 0]
        apparent = np.clip(10.0 * np.log10(m / (1.0 - m)), -15.0, 15.0)
        assert np.mean((apparent + 15.0) / 30.0) == pytest.approx(index, rel=0, abs=5e-4)


def test_two_equal_pulses_make_a_comb():
    # m = |cos(pi F tau)|, exact for early arrivals whatever the bins.
    for edges in (FINE_EDGES, UNEVEN_EDGES):
        late = np.zeros((2, 1, len(edges) - 1, 1, 8))
        response = response_of(edges, late, ((0.0, np.array(3.0)), (0.0523, np.array(3.0))))
        seats = full_sum(response)
        m = np.abs(seats.modulation / seats.total[:, None])[0, :, 0, 0]
        expected = np.abs(np.cos(np.pi * MODULATION_FREQUENCIES * 0.0523))
        np.testing.assert_allclose(m, expected, rtol=0, atol=1e-12)  # rounding
        np.testing.assert_allclose(seats.moment / seats.total, 0.0523 / 2.0, rtol=1e-12)  # rounding
        assert np.isnan(seats.slopes.time[EDT]).all()  # 3 dB, then nothing: no decay to evaluate


def test_decay_that_does_not_fall_gives_no_figure():
    steady = np.ones((2, 1, 400, 1, 8))
    got = evaluate(response_of(FINE_EDGES, steady), NO_NOISE)
    for name in (EDT, T20, T30, "clarity_c50", "speech_transmission_index"):
        assert np.isnan(got[name].full).all(), name


def test_noise_far_down_costs_no_figure():
    # A ray of 1e-8 of all energy arrives in the last bin: such energy does not decay, and does not matter.
    late = decaying(FINE_EDGES, exponential(0.3))
    noisy = late.copy()
    noisy[1, :, -1] = 1e-8
    names = [name for name in METRICS if name not in ("curvature", "sound_strength")]
    clean = evaluate(response_of(FINE_EDGES, late), NO_NOISE, metrics=names)
    for name, figure in evaluate(response_of(FINE_EDGES, noisy), NO_NOISE, metrics=names).items():
        # 1e-8 of the energy at 2 s moves a mean time of 22 ms by 1e-6 of itself, and what is left at -35 dB
        # by 3e-5, 1e-4 dB of 30; left out or not. Non-linearity is 0 but for that squared, and in permille.
        np.testing.assert_allclose(figure.full, clean[name].full, rtol=5e-6, atol=1e-6, err_msg=name)
        np.testing.assert_allclose(figure.left_out, clean[name].left_out, rtol=5e-6, atol=1e-6, err_msg=name)


def test_a_replicate_whose_loss_leaves_no_decay_takes_the_common_rate():
    # The decay at the end is known from both replicates together; the second alone is steady.
    late = 2.0 * decaying(FINE_EDGES, exponential(3.0))
    late[1] = 1e-5
    tail = response_tail(response_of(FINE_EDGES, late))
    assert np.isfinite(tail.full).all()
    np.testing.assert_array_equal(tail.left_out[0], tail.full)
    assert (tail.left_out[1] > tail.full).all()  # the first replicate alone falls faster than both


@EDGES
def test_kernel_agrees_with_sampling_on_rough_decays(edges):
    rng = np.random.default_rng(11)
    n_bins = len(edges) - 1
    smooth = decaying(edges, two_exponentials(0.9, 0.8, 2.4))
    rough = smooth * rng.gamma(1.5, 1 / 1.5, (2, 1, n_bins, 1, 8))
    pulses = ((0.0, 0.05), (0.0131, 0.15), (0.031, 0.08))
    response = response_of(edges, rough, tuple((time, np.array(energy)) for time, energy in pulses))
    seats = full_sum(response)
    for band in range(8):
        rate, tail = seats.tail_rate[0, band], seats.tail[0, 0, band]
        decay = Decay(edges, seats.late[0, :, 0, band], tail, rate, pulses)
        for name, (upper, lower) in EVALUATION_RANGES.items():
            time, unexplained = decay.fit(upper, lower, 100_000)
            # Midpoint sums err by (steps of the curve) / n_samples: 1e-5 of the range each. Before the last pulse
            # the kernel goes straight in dB, over 5 ms at most, where the sum of an exponential and of what is still
            # to come bends: with a fall of x in a bin by up to x^2 / 8, 0.005 dB, of the 10 dB of the shortest range;
            # of the 1 dB by which the line misses a rough decay that is 0.5 %, squared in 1 - r^2.
            np.testing.assert_allclose(seats.slopes.time[name][0, 0, band], time, rtol=5e-4)
            np.testing.assert_allclose(
                seats.slopes.non_linearity[name][0, 0, band], unexplained, rtol=1e-3, atol=3e-5
            )
    for i, frequency in enumerate(MODULATION_FREQUENCIES):
        late = sampled_modulation(edges, seats.late[0, :, 0, 3], frequency)
        rate, tail = seats.tail_rate[0, 3], seats.tail[0, 0, 3]
        time = edges[-1] + np.linspace(0.0, 40.0 / rate, 400_001)
        turn = np.exp(-2j * np.pi * frequency * time)
        beyond = tail * np.trapezoid(rate * np.exp(-rate * (time - edges[-1])) * turn, time)
        early = sum(energy * np.exp(-2j * np.pi * frequency * time) for time, energy in pulses)
        # Midpoint and trapezoid sums: (omega step)^2 / 24 with steps of a 200th of 50 ms is 2e-5 of the late
        # sum.
        np.testing.assert_allclose(seats.modulation[0, i, 0, 3], early + late + beyond, rtol=0, atol=3e-5)


def test_the_bins_of_tracing_cost_no_more_than_a_ten_thousandth_of_an_index():
    edges = time_bins(2.0)
    for time_60 in (0.3, 0.5, 1.0, 2.0, 4.0):
        seats = full_sum(response_of(edges, decaying(edges, exponential(time_60))))
        m = np.abs(seats.modulation / seats.total[:, None])[0, :, 0, 0]
        exact = 1.0 / np.sqrt(1.0 + (2.0 * np.pi * MODULATION_FREQUENCIES * time_60 / RATE) ** 2)
        cost = np.mean(transmission_index(m) - transmission_index(exact))
        assert abs(cost) <= 1e-4  # the demand itself: a three-hundredth of what can be noticed
    # Longer decays, followed as long as a run follows them: five times that is still a sixtieth.
    for time_60 in (3.0, 4.0, 6.0, 8.0, 12.0):
        edges = time_bins(1.2 * time_60)
        seats = full_sum(response_of(edges, decaying(edges, exponential(time_60))))
        m = np.abs(seats.modulation / seats.total[:, None])[0, :, 0, 0]
        exact = 1.0 / np.sqrt(1.0 + (2.0 * np.pi * MODULATION_FREQUENCIES * time_60 / RATE) ** 2)
        cost = np.mean(transmission_index(m) - transmission_index(exact))
        assert abs(cost) <= (1e-4 if time_60 <= 4.0 else 5e-4)
    # Control: bins of 50 ms from the start are too coarse, so the test can tell.
    coarse = 0.05 * np.arange(41)
    kernel = np.exp(-2j * np.pi * np.outer(MODULATION_FREQUENCIES, coarse[:-1] + 0.025))
    kernel *= np.sinc(0.05 * MODULATION_FREQUENCIES)[:, None]
    m = np.abs(kernel @ -np.diff(np.exp(-RATE * coarse / 0.5)))
    exact = 1.0 / np.sqrt(1.0 + (2.0 * np.pi * MODULATION_FREQUENCIES * 0.5 / RATE) ** 2)
    assert abs(np.mean(transmission_index(m) - transmission_index(exact))) > 1e-4
