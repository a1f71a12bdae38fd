"""What must hold for every response."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from responses import UNEVEN_EDGES, response_of, scaled

from roomsim.decay.response import EnergyResponse
from roomsim.metrics import speech
from roomsim.metrics.evaluate import evaluate

QUIET = np.full((1, 8), -np.inf)
GAIN_FREE = (
    "early_decay_time",
    "reverberation_time_t20",
    "reverberation_time_t30",
    "clarity_c50",
    "clarity_c80",
    "definition_d50",
    "centre_time",
    "direct_to_reverberant_ratio",
)


@st.composite
def responses(draw) -> EnergyResponse:
    """Rough decays with a direct sound and an early reflection."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    time_60 = draw(st.floats(0.3, 3.0))
    roughness = draw(st.floats(0.01, 2.0))
    direct = draw(st.floats(0.001, 10.0))
    left = np.exp(-6.0 * np.log(10.0) * UNEVEN_EDGES / time_60)
    shape = (2, 1, len(left) - 1, 1, 8)
    late = (left[:-1] - left[1:])[:, None, None] * rng.gamma(1 / roughness, roughness, shape)
    return response_of(UNEVEN_EDGES, late, ((0.0, np.array(direct)), (0.031, np.array(0.1))))


@settings(max_examples=30)
@given(response=responses(), gain=st.floats(-60.0, 60.0))
def test_gain_moves_levels_and_nothing_else(response, gain):
    before = evaluate(response, QUIET, metrics=[*GAIN_FREE, "sound_pressure_level"])
    after = evaluate(
        scaled(response, 10.0 ** (gain / 10.0)), QUIET, metrics=[*GAIN_FREE, "sound_pressure_level"]
    )
    for name in GAIN_FREE:
        np.testing.assert_allclose(after[name].full, before[name].full, rtol=1e-9, err_msg=name)  # rounding
    moved = after["sound_pressure_level"].full - before["sound_pressure_level"].full
    np.testing.assert_allclose(moved, gain, rtol=0, atol=1e-9)  # rounding


@settings(max_examples=30)
@given(response=responses(), more=st.floats(1.01, 10.0))
def test_more_late_energy_blurs(response, more):
    late = response.late.copy()
    late[:, :, UNEVEN_EDGES[:-1] >= 0.1] *= more
    before = evaluate(response, QUIET)
    after = evaluate(replace(response, late=late), QUIET)
    for name in ("clarity_c50", "clarity_c80", "definition_d50", "direct_to_reverberant_ratio"):
        assert (after[name].full < before[name].full).all(), name
    for name in ("centre_time", "sound_pressure_level", "a_weighted_level"):
        assert (after[name].full > before[name].full).all(), name


@settings(max_examples=30)
@given(
    response=responses(), level=st.floats(20.0, 90.0), noise=st.floats(0.0, 90.0), more=st.floats(0.1, 20.0)
)
def test_noise_never_helps_and_the_index_stays_in_its_range(response, level, noise, more):
    loud = scaled(response, 10.0 ** (level / 10.0))
    name = "speech_transmission_index"
    quiet = evaluate(loud, np.full((1, 8), noise), metrics=[name])[name].full
    noisy = evaluate(loud, np.full((1, 8), noise + more), metrics=[name])[name].full
    assert (noisy <= quiet).all()
    assert (noisy >= 0.0).all() and (quiet <= 1.0).all()


@given(index=st.lists(st.floats(0.0, 1.0), min_size=7, max_size=7))
def test_a_better_band_in_all_is_a_better_index(index):
    index = np.array(index)
    # All bands raised by one factor: sums and square roots of products rise by it, until the index is 1.
    grown = index * 1.1
    low, high = speech.speech_transmission_index(index), speech.speech_transmission_index(grown)
    assert abs(high - min(1.1 * low, 1.0)) < 1e-12 or low == 1.0  # rounding


@given(level=st.floats(-20.0, 140.0), louder_by=st.floats(0.0, 20.0))
def test_louder_bands_mask_more(level, louder_by):
    masked = [one + speech.masking_level(np.array(one)) for one in (level, level + louder_by)]
    # At 100 dB the standard's formula steps down by 0.2 dB.
    assert masked[1] >= masked[0] - 0.2 - 1e-9
