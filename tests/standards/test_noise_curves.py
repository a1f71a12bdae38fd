"""NR and NC curves against their printed tables."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.errors import PhysicalRangeError
from roomsim.physics.levels import level_sum
from roomsim.physics.noise import (
    named_curve,
    noise_criterion_curve,
    noise_rating,
    noise_rating_curve,
    whole_noise_rating,
)

# Octaves 63 Hz to 8 kHz as handbooks print them, rounded to whole dB (ISO/R 1996:1971; the same table in
# BS 8233; from memory).
PRINTED_NR = {
    20: [51, 39, 31, 24, 20, 17, 14, 13],
    25: [55, 44, 35, 29, 25, 22, 20, 18],
    30: [59, 48, 40, 34, 30, 27, 25, 23],
    35: [63, 52, 45, 39, 35, 32, 30, 28],
    40: [67, 57, 49, 44, 40, 37, 35, 33],
    45: [71, 61, 54, 49, 45, 42, 40, 38],
    50: [75, 66, 59, 54, 50, 47, 45, 44],
}


@pytest.mark.parametrize("rating", PRINTED_NR)
def test_nr_curve_is_the_printed_one(rating):
    # Half of the printed digit; 0.05 more where tables round a half both ways.
    np.testing.assert_allclose(noise_rating_curve(rating), PRINTED_NR[rating], rtol=0, atol=0.55)
    # Control: the curve 2 dB on is not taken for it.
    assert np.abs(noise_rating_curve(rating + 2.0) - PRINTED_NR[rating]).max() > 1.0


def test_nr_is_the_level_at_1_khz():
    assert noise_rating_curve(np.array([0.0, 47.0, 130.0]))[:, 4] == pytest.approx(
        [0.0, 47.0, 130.0], abs=1e-12
    )


def test_rating_of_a_noise_is_the_curve_that_it_touches():
    noise = noise_rating_curve(30.0) - 5.0
    noise[2] = noise_rating_curve(42.0)[2]
    assert noise_rating(noise) == pytest.approx(42.0, abs=1e-9)
    assert noise_rating(np.stack([noise, noise - 200.0]))[1] < 0.0


def test_whole_rating_of_each_curve_is_its_own():
    whole = np.arange(131)
    curves = noise_rating_curve(whole)
    assert (whole_noise_rating(curves) == whole).all()
    # As a study gives it: by name, then as the level of a sum of one.
    assert [int(whole_noise_rating(level_sum([named_curve(f"NR {n}")], axis=0))) for n in whole] == whole.tolist()
    # The curve is touched in one octave only, any of them.
    for band in range(8):
        noise = curves - 20.0
        noise[:, band] = curves[:, band]
        assert (whole_noise_rating(noise) == whole).all()
        # A tenth of a decibel over it, the last digit of a level, is the next curve; a tenth under it the same.
        noise[:, band] += 0.1
        assert (whole_noise_rating(noise) == whole + 1).all()
        noise[:, band] -= 0.2
        assert (whole_noise_rating(noise) == whole).all()
    # Control: rounded up from the bare quotient, many curves come out as the next.
    assert (np.ceil(noise_rating(curves)) > whole).sum() > 20


def test_nc_curves():
    # Two marks of the printed table (Beranek, Noise and Vibration Control; ANSI/ASA S12.2; from memory): NC-30
    # is 31 dB at 1 kHz, NC-65 80 dB at 63 Hz.
    assert noise_criterion_curve(30.0)[4] == 31.0
    assert noise_criterion_curve(65.0)[0] == 80.0
    # A slip would break the order: higher curves are louder in every band, and each falls with frequency.
    curves = np.array([noise_criterion_curve(rating) for rating in range(15, 71, 5)])
    assert (np.diff(curves, axis=0) > 0.0).all() and (np.diff(curves, axis=1) <= 0.0).all()
    # The curves were drawn after the speech interference level, the mean of 500 Hz to 4 kHz: half of the printed
    # digit, and 1 dB that the shape of the curves leaves open.
    assert np.abs(curves[:, 3:7].mean(axis=1) - np.arange(15, 71, 5)).max() <= 1.5
    assert noise_criterion_curve(32.5) == pytest.approx((curves[3] + curves[4]) / 2, abs=1e-12)


@pytest.mark.parametrize("text", ["NR 35", "nr35", "NR-35", " NR 35.0 "])
def test_names_of_curves(text):
    assert named_curve(text)[4] == 35.0


def test_other_names_are_no_curves():
    assert named_curve("NC 35")[4] == 36.0
    assert named_curve("crowd") is None and named_curve("NR") is None
    for beyond in ("NR 200", "NC 10", "NC 75"):
        with pytest.raises(PhysicalRangeError, match="curves are defined from"):
            named_curve(beyond)
