"""Single figures in cases that are worked out by hand: ratios, limits, noise sources, seats in portions."""

from __future__ import annotations

import numpy as np
import pytest
from responses import FINE_EDGES, decaying, response_of

from roomsim.estimate import Estimate
from roomsim.metrics import evaluate as evaluation
from roomsim.metrics.evaluate import evaluate
from roomsim.metrics.registry import METRICS
from roomsim.metrics.room_parameters import is_bent

QUIET = np.full((1, 8), -np.inf)


def test_direct_to_reverberant_ratio_of_a_pulse_and_a_decay() -> None:
    """A pulse of 4 and a decay of 1 altogether: 10 lg 4 = 6.02 dB, and with a pulse of 0.5 -3.01 dB."""
    late = decaying(FINE_EDGES, lambda time: np.exp(-8.0 * time))
    for pulse, ratio in ((4.0, 6.0206), (0.5, -3.0103)):
        response = response_of(FINE_EDGES, late, ((0.0, np.array(pulse)),))
        found = evaluate(response, QUIET, metrics=["direct_to_reverberant_ratio"])["direct_to_reverberant_ratio"]
        np.testing.assert_allclose(found.full, ratio, rtol=0, atol=1e-3)  # the tail after 2 s is e^-16 of the decay


def test_decay_is_bent_from_ten_per_cent_on() -> None:
    """ISO 3382-2:2008, Annex B (from memory): C above 10 %."""
    assert is_bent(Estimate(np.array([9.9, 10.1]), np.zeros(2), 20)).tolist() == [False, True]


@pytest.mark.parametrize(
    ("name", "difference", "is_relative"),
    [
        ("reverberation_time_t20", 0.05, True),
        ("reverberation_time_t30", 0.05, True),
        ("clarity_c50", 1.0, False),
        ("sound_pressure_level", 1.0, False),
        ("a_weighted_level", 1.0, False),
    ],
)
def test_figures_like_those_of_the_standard_share_its_differences(name: str, difference: float, is_relative: bool):
    """ISO 3382-1:2009, Table A.1 (from memory) names EDT, C80 and G; times, C50 and levels go with them."""
    metric = METRICS[name]
    assert (metric.just_noticeable_difference, metric.is_relative) == (difference, is_relative)


def test_noise_of_one_replicate_is_gone_where_that_is_left_out() -> None:
    """Steady noise of -30 dB and a source that only one of four replicates met: without that, -30 dB are left, and
    with it in three the source counts a third."""
    late = np.zeros((4, 1, 400, 1, 8))
    response = response_of(FINE_EDGES, late, ((0.0, np.array(1.0)),))
    sources = np.zeros((4, 1, 1, 8))
    sources[2] = 0.06
    name = "signal_to_noise_ratio"
    found = evaluate(response, np.full((1, 8), -30.0), metrics=[name], noise_energy=sources)[name].left_out
    expected = -10.0 * np.log10(1e-3 + np.array([0.02, 0.02, 0.0, 0.02]))
    np.testing.assert_allclose(found[:, 0, 0, 0], expected, atol=1e-5)  # kept in single precision


@pytest.mark.parametrize("with_sources", [False, True])
def test_seats_in_portions_are_the_seats_at_once(monkeypatch, with_sources: bool) -> None:
    """With and without sources of noise."""
    rng = np.random.default_rng(3)
    decay = decaying(FINE_EDGES, lambda time: np.exp(-8.0 * time), n_replicates=1)
    late = rng.gamma(2.0, 1.0, (4, 3, 400, 2, 8)) * decay
    response = response_of(FINE_EDGES, late, ((0.0, np.array(1.0)),))
    noise = rng.uniform(-20.0, 0.0, (2, 8))
    options = {"noise_energy": rng.gamma(2.0, 0.1, (4, 3, 2, 8))} if with_sources else {}
    at_once = evaluate(response, noise, **options)
    monkeypatch.setattr(evaluation, "CHUNK_BYTES", 1)
    for name, figure in evaluate(response, noise, **options).items():
        np.testing.assert_array_equal(figure.full, at_once[name].full)
        np.testing.assert_array_equal(figure.left_out, at_once[name].left_out)
