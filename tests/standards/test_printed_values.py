"""Tables and limits value by value, as they are printed. All from memory, each with the place where it stands."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.errors import PhysicalRangeError
from roomsim.metrics.speech import (
    RATING_EDGES,
    RATING_LETTERS,
    hearing_factor,
    masking_level,
    speech_transmission_index,
)
from roomsim.physics.absorption import weighted_absorption
from roomsim.physics.air import air_attenuation
from roomsim.physics.exposure import EXPOSURE_LIMITS
from roomsim.physics.noise import named_curve
from roomsim.physics.radiation import balloon_from_polars

# Octaves 63 Hz to 8 kHz (ANSI/ASA S12.2, table of NC curves; the same in handbooks after Beranek).
PRINTED_NC = {
    15: "47 36 29 22 17 14 12 11",
    20: "51 40 33 26 22 19 17 16",
    25: "54 44 37 31 27 24 22 21",
    30: "57 48 41 35 31 29 28 27",
    35: "60 52 45 40 36 34 33 32",
    40: "64 56 50 45 41 39 38 37",
    45: "67 60 54 49 46 44 43 42",
    50: "71 64 58 54 51 49 48 47",
    55: "74 67 62 58 56 54 53 52",
    60: "77 71 67 63 61 59 58 57",
    65: "80 75 71 68 66 64 63 62",
    70: "84 79 75 72 71 70 68 68",
}


@pytest.mark.parametrize("rating", PRINTED_NC)
def test_nc_curve_is_the_printed_one(rating: int) -> None:
    assert named_curve(f"NC {rating}").tolist() == [float(level) for level in PRINTED_NC[rating].split()]


@pytest.mark.parametrize(
    ("band", "threshold"), [(0, 46.0), (1, 27.0), (2, 12.0), (3, 6.5), (4, 7.5), (5, 8.0), (6, 12.0)]
)
def test_speech_at_the_reception_threshold_loses_half_its_modulation(band: int, threshold: float) -> None:
    """IEC 60268-16, Annex A: absolute speech reception threshold of the octaves 125 Hz to 8 kHz. In quiet and with
    nothing below that masks, I / (I + I_threshold) is 1/2 there, and 10/11 ten decibels above."""
    for above, factor in ((0.0, 1 / 2), (10.0, 10 / 11)):
        level = np.full(7, -200.0)
        level[band] = threshold + above
        assert hearing_factor(level, np.full(7, -np.inf))[band] == pytest.approx(factor, abs=1e-9)


@pytest.mark.parametrize(
    ("level", "slope_below", "slope_above"), [(63.0, 0.5, 1.8), (67.0, 1.8, 0.5), (100.0, 0.5, 0.0)]
)
def test_masking_bends_where_the_standard_says(level: float, slope_below: float, slope_above: float) -> None:
    """IEC 60268-16, Annex A: masking rises by 0.5, 1.8, 0.5 and 0 dB for each dB of the octave below. The straight
    lines meet at 100 dB; at 63 and 67 dB they miss each other by the rounding of their constants, 0.5 dB at most."""
    below, above = (masking_level(np.array(level) + side * np.array([0.1, 1.1])) for side in (-1.0, 1.0))
    assert below[0] - below[1] == pytest.approx(slope_below, abs=1e-9)
    assert above[1] - above[0] == pytest.approx(slope_above, abs=1e-9)
    assert abs(above[0] - below[0]) < 0.5 + 0.1 * (slope_below + slope_above)


def test_letters_begin_at_the_printed_edges() -> None:
    """IEC 60268-16:2020, Annex F."""
    printed = dict(zip("JIHGFEDCBA", (0.36, 0.40, 0.44, 0.48, 0.52, 0.56, 0.60, 0.64, 0.68, 0.72))) | {"A+": 0.76}
    assert RATING_LETTERS[0] == "U"
    assert dict(zip(RATING_LETTERS[1:], RATING_EDGES, strict=True)) == printed


def test_absorption_classes_begin_at_the_printed_ratings() -> None:
    """ISO 11654:1997, Annex B: A 0.90 to 1.00, B 0.80 and 0.85, C 0.60 to 0.75, D 0.30 to 0.55, E 0.15 to 0.25.

    A practical absorption v in all bands rates v: one step less shift would miss it by 3 x 0.05 in the three bands
    where the curve is flat, more than the 0.10 allowed.
    """
    letters = ["-"] * 3 + ["E"] * 3 + ["D"] * 6 + ["C"] * 4 + ["B"] * 2 + ["A"] * 3
    for step, letter in enumerate(letters):
        found = weighted_absorption(np.full(8, step / 20))
        assert (found.value, found.letter) == (step / 20, letter)


def test_exposure_limits_are_those_of_the_law() -> None:
    """Directive 2003/10/EC, article 3: 80, 85 and 87 dB(A) over 8 h. DIN 15905-5: 99 dB(A) over half an hour. French
    decree 2017-1244: 102 dB(A) over a quarter. World Health Organization, 2022: 100 dB(A) over a quarter. Sweden,
    FoHMFS 2014:15: 100 dB(A) over an hour."""
    found = {(limit.source.split(",")[0], limit.level, limit.hours) for limit in EXPOSURE_LIMITS}
    assert found == {
        *(("Directive 2003/10/EC", level, 8.0) for level in (80.0, 85.0, 87.0)),
        ("DIN 15905-5", 99.0, 0.5),
        ("decree of 2017", 102.0, 0.25),
        ("World Health Organization", 100.0, 0.25),
        ("FoHMFS", 100.0, 1.0),
    }


@pytest.mark.parametrize(("kilohertz_per_atmosphere", "is_covered"), [(0.042, True), (1000.0, True), (1050.0, False)])
def test_air_is_worked_out_as_far_as_the_standard_goes(kilohertz_per_atmosphere: float, is_covered: bool) -> None:
    """ISO 9613-1:1993, 1: frequency over pressure from 4e-4 to 10 Hz/Pa, which is 0.04 to 1013 kHz/atm."""
    if is_covered:
        assert air_attenuation(1e3 * kilohertz_per_atmosphere, 20.0, 50.0) > 0.0
    else:
        with pytest.raises(PhysicalRangeError):
            air_attenuation(1e3 * kilohertz_per_atmosphere, 20.0, 50.0)


def test_between_the_planes_of_two_polars_half_of_each_counts() -> None:
    """At 45 degrees between left and up both planes have half the weight, and each side keeps its own half of its
    polar: levels are straight lines over the angle here, 0.1, 0.2, 0.05 and 0.3 dB for each degree."""
    angles = np.arange(-180.0, 181.0, 5.0)
    slopes = {"left": 0.1, "right": 0.2, "up": 0.05, "down": 0.3}
    horizontal = -np.where(angles >= 0.0, slopes["left"] * angles, -slopes["right"] * angles)[:, None]
    vertical = -np.where(angles >= 0.0, slopes["up"] * angles, -slopes["down"] * angles)[:, None]
    balloon = balloon_from_polars(angles, horizontal, angles, vertical, n_polar=37)
    for azimuth, side, height in ((9, "left", "up"), (27, "right", "up"), (45, "right", "down"), (63, "left", "down")):
        level = 10.0 * np.log10(balloon[18, azimuth, 0])  # 90 degrees off the axis
        assert level == pytest.approx(-90.0 * (slopes[side] + slopes[height]) / 2.0, abs=1e-9)


def test_index_is_one_at_most() -> None:
    """IEC 60268-16, Annex A: with nothing in the 250 Hz octave and all in the others the weights for male speech add up
    to 1.381 - 0.127 - (0.381 - 0.085 - 0.078) = 1.036, which counts as 1; with all in all to 1 exactly."""
    assert speech_transmission_index(np.array([1.0, 0.0, 1.0, 1.0, 1.0, 1.0, 1.0])) == 1.0
    assert speech_transmission_index(np.ones(7)) == pytest.approx(1.0, abs=1e-12)
