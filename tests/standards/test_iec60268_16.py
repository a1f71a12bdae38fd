"""Speech transmission index against IEC 60268-16: worked example, verification cases, closed forms.

The standard's numbers come from a transcription of the 2011 and 2020 editions; closed forms from the sources
named.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from responses import FINE_EDGES, response_of

from roomsim.decay.response import MODULATION_FREQUENCIES
from roomsim.metrics import speech
from roomsim.metrics.evaluate import evaluate

DATA = Path(__file__).parents[1] / "data"
NONE = np.full(7, -np.inf)


# --- Annex M: worked example ------------------------------------------------------------------------------

CHANNEL = np.loadtxt(DATA / "iec60268_16_annex_m.csv", delimiter=",", skiprows=2)
SPEECH_LEVEL = np.array([82.9, 82.9, 79.2, 73.2, 67.2, 61.2, 55.2])
NOISE_LEVEL = np.array([55.5, 47.5, 41.5, 37.5, 34.5, 32.5, 30.5])
PRINTED_MTI = [0.73, 0.66, 0.67, 0.71, 0.77, 0.80, 0.92]
PRINTED_STI = 0.76
PRINTED_MASKING = [-18.3, -18.3, -20.2, -23.2, -26.2, -34.4]  # dB, 250 Hz to 8 kHz
PRINTED_FACTOR = [0.998, 0.985, 0.967, 0.963, 0.981, 0.989, 0.995]


def annex_m(speech_level=SPEECH_LEVEL, noise_level=NOISE_LEVEL):
    modulation = CHANNEL[:, 1:][None, :, None, :]
    index = speech.modulation_transfer_index(modulation, speech_level[None, None], noise_level[None])
    return index[0, 0], speech.speech_transmission_index(index)[0, 0]


def test_modulation_frequencies_are_those_of_the_table():
    np.testing.assert_array_equal(MODULATION_FREQUENCIES, CHANNEL[:, 0])


def test_annex_m_masking_and_factor():
    together = 10.0 * np.log10(10.0 ** (SPEECH_LEVEL / 10.0) + 10.0 ** (NOISE_LEVEL / 10.0))
    # Half the last printed digit; the first two are 0.46 of a digit off.
    np.testing.assert_allclose(speech.masking_level(together[:-1]), PRINTED_MASKING, rtol=0, atol=0.05)
    # Factors from masking printed to 0.1 dB: a share of masking of at most 4 % known to 1.2 % is 0.0005, and
    # half the last digit of the product of two printed factors is 0.001.
    factor = speech.hearing_factor(SPEECH_LEVEL, NOISE_LEVEL)
    np.testing.assert_allclose(factor, PRINTED_FACTOR, rtol=0, atol=0.0015)


def test_annex_m_indices():
    index, sti = annex_m()
    # Half the last printed digit, 0.005, and 0.001 for a channel printed to three decimals: an index moves by
    # 4.34 / (30 m (1 - m)) times as much as m, on average over a band's frequencies 0.7 to 2 times.
    np.testing.assert_allclose(index, PRINTED_MTI, rtol=0, atol=0.006)
    assert sti == pytest.approx(PRINTED_STI, rel=0, abs=0.006)


def test_annex_m_notices_what_is_left_out():
    # Control: without the reduction by noise, masking and threshold at least one printed index is missed.
    apparent = speech.transmission_index(CHANNEL[:, 1:]).mean(axis=0)
    assert np.abs(apparent - PRINTED_MTI).max() > 0.006


def test_annex_m_through_the_whole_chain():
    late = np.zeros((2, 1, 400, 1, 8))
    energy = 10.0 ** (np.concatenate([[70.0], SPEECH_LEVEL]) / 10.0)
    pulse = response_of(FINE_EDGES, late, ((0.0, energy),))
    pulse.early_modulation[0, :, 0, 1:] *= CHANNEL[:, 1:]
    noise = np.concatenate([[90.0], NOISE_LEVEL])[None]  # noise at 63 Hz is not heard by the index
    got = evaluate(pulse, noise, metrics=["speech_transmission_index", "modulation_transfer_index"])
    index, sti = annex_m()
    # The same arithmetic on the same numbers, in another order: rounding.
    np.testing.assert_allclose(got["modulation_transfer_index"].full[0, 0, 1:], index, rtol=1e-12)
    np.testing.assert_allclose(got["speech_transmission_index"].full[0, 0], sti, rtol=1e-12)
    assert np.isnan(got["modulation_transfer_index"].full[0, 0, 0])


# --- Annex A: verification cases --------------------------------------------------------------------------


def test_weights_of_pairs():
    # A.2.2: full modulation in two adjacent bands, none in the others.
    expected = [0.127, 0.279, 0.398, 0.531, 0.486, 0.302]
    for band, sti in enumerate(expected):
        index = np.zeros(7)
        index[band : band + 2] = 1.0
        assert speech.speech_transmission_index(index) == pytest.approx(
            sti, rel=0, abs=0.0005
        )  # half the last printed digit


@pytest.mark.parametrize(("modulation", "sti"), [(0.5, 0.5), (0.11182, 0.2)])
def test_uniform_modulation(modulation, sti):
    # A.3.1.2: the same modulation transfer in all bands at all frequencies.
    index = speech.transmission_index(np.full((14, 7), modulation)).mean(axis=0)
    # Half the last digit of 0.11182, 5e-6, times 4.34 / (30 m (1 - m)) = 1.5.
    assert speech.speech_transmission_index(index) == pytest.approx(sti, rel=0, abs=8e-6)


@pytest.mark.parametrize(("level", "masking"), [(60.0, -35.0), (65.0, -29.9), (80.0, -19.8), (100.0, -10.0)])
def test_masking_at_the_printed_levels(level, masking):
    # Table A.2 of the 2020 edition, printed to 0.1 dB.
    assert float(speech.masking_level(np.array(level))) == pytest.approx(masking, rel=0, abs=0.05)


def test_masking_has_no_gaps():
    level = np.linspace(20.0, 99.999, 8001)
    # Steps of 0.01 dB times a slope of at most 1.8.
    assert np.abs(np.diff(speech.masking_level(level))).max() < 0.0181


def test_signal_to_noise_alone():
    # Definition: index 0 at -15 dB, 1 at +15 dB, straight between; threshold and masking made negligible by
    # looking at one band at a high level with nothing below it.
    ratio = np.array([-20.0, -15.0, -10.0, -5.0, 0.0, 5.0, 10.0, 15.0, 20.0])
    expected = [0.0, 0.0, 1 / 6, 1 / 3, 0.5, 2 / 3, 5 / 6, 1.0, 1.0]
    for one, index in zip(ratio, expected, strict=True):
        signal = np.concatenate([[120.0], np.full(6, -np.inf)])
        factor = speech.hearing_factor(signal, signal - one)[0]
        # The threshold of 46 dB is 74 dB below: 4e-8 of the energy.
        assert speech.transmission_index(factor) == pytest.approx(index, rel=0, abs=1e-6)


# --- Closed forms -----------------------------------------------------------------------------------------

# Houtgast and Steeneken, Acustica 46 (1980) 60: m = 1 / sqrt(1 + (2 pi F T / 13.8)^2), no noise; five digits.
EXPONENTIAL = [
    (0.3, 0.82734),
    (0.5, 0.73608),
    (0.8, 0.63861),
    (1.0, 0.58822),
    (1.5, 0.49766),
    (2.0, 0.43713),
    (3.0, 0.35689),
    (4.0, 0.30331),
    (5.0, 0.26345),
    (8.0, 0.18828),
]
# The same in noise: T, signal-to-noise ratio in dB, index.
EXPONENTIAL_IN_NOISE = [(1.0, 0.0, 0.35838), (1.0, 10.0, 0.53020), (2.0, 0.0, 0.27356), (2.0, 10.0, 0.40690)]


def of_decay(time_60: float, noise_factor: float = 1.0) -> float:
    m = noise_factor / np.sqrt(1.0 + (2.0 * np.pi * MODULATION_FREQUENCIES * time_60 / 13.8) ** 2)
    index = np.full(7, speech.transmission_index(m).mean())
    return float(speech.speech_transmission_index(index))


@pytest.mark.parametrize(("time_60", "sti"), EXPONENTIAL)
def test_exponential_decay(time_60, sti):
    assert of_decay(time_60) == pytest.approx(sti, rel=0, abs=6e-6)  # half the last digit, and rounding


@pytest.mark.parametrize(("time_60", "ratio", "sti"), EXPONENTIAL_IN_NOISE)
def test_exponential_decay_in_noise(time_60, ratio, sti):
    assert of_decay(time_60, 1.0 / (1.0 + 10.0 ** (-ratio / 10.0))) == pytest.approx(
        sti, rel=0, abs=6e-6
    )  # half the last digit


SPEECH_SPECTRUM = np.array([2.9, 2.9, -0.8, -6.8, -12.8, -18.8, -24.8])
"""(7,) octave levels of male speech re its A-weighted level, dB (IEC 60268-16:2011; the worked example of the 2020
edition still has it)."""

# Undistorted speech of the 2011 edition's spectrum at an A-weighted level, no noise: what masking and the
# threshold leave. Worked out from the formulas of Annex A by another hand; five digits.
LOUDNESS = [
    (40.0, 0.92337),
    (50.0, 0.98192),
    (60.0, 1.0),
    (70.0, 1.0),
    (80.0, 0.99295),
    (90.0, 0.90567),
    (100.0, 0.77224),
]


@pytest.mark.parametrize(("a_level", "sti"), LOUDNESS)
def test_too_soft_and_too_loud_speech(a_level, sti):
    factor = speech.hearing_factor(a_level + SPEECH_SPECTRUM, NONE)
    got = speech.speech_transmission_index(speech.transmission_index(factor))
    assert got == pytest.approx(sti, rel=0, abs=6e-6)  # half the last digit, and rounding


def test_spectrum_is_given_re_its_a_weighted_level():
    # IEC 61672-1:2013, Table 3, A-weighting at 125 Hz to 8 kHz (from memory), printed to 0.1 dB.
    weighting = np.array([-16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1])
    total = 10.0 * np.log10((10.0 ** ((SPEECH_SPECTRUM + weighting) / 10.0)).sum())
    # Both spectra are printed to 0.1 dB: 0.05 each, largest where one band carries all.
    assert abs(total) <= 0.1


# --- What is read off the index ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sti", "loss"),
    # 170.5405 exp(-5.419 STI), Farrel Becker (from memory), worked out to five digits.
    [(0.30, 33.558), (0.45, 14.886), (0.5, 11.353), (0.6, 6.6033), (0.75, 2.9292), (1.0, 0.7558)],
)
def test_articulation_loss(sti, loss):
    assert speech.articulation_loss(sti) / loss == pytest.approx(
        1.0, rel=0, abs=1e-4
    )  # half the last of four or five digits
    # The inverse in use, STI = 0.9482 - 0.1845 ln(ALcons), agrees within 0.003 only.
    assert abs(0.9482 - 0.1845 * np.log(loss) - sti) < 0.003


def test_articulation_loss_is_a_percentage():
    assert speech.articulation_loss(0.0) == 100.0
