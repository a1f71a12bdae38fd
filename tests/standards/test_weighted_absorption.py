"""Ratings of ISO 11654 and measurements of ISO 354."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.physics.absorption import (
    equivalent_absorption_area,
    practical_absorption,
    weighted_absorption,
)


def octaves(*practical):
    """Eight bands from the five that count, with nonsense in the others."""
    return np.array([0.33, 0.07, *practical, 0.99])


@pytest.mark.parametrize(
    ("practical", "value", "indicators", "letter"),
    [
        # Worked by hand with the reference curve of ISO 11654:1997 (from memory). First: deviations at a
        # shift of .25 are .10 at 250 Hz and 0 elsewhere, exactly the .10 allowed; in binary it is more than
        # .10.
        ((0.45, 0.80, 0.95, 0.90, 0.85), 0.75, "", "C"),
        # At .60: deviations .10 at 250 Hz; 1 kHz exceeds .60 by .25, 2 kHz by .30, 4 kHz (.50) by .35.
        ((0.30, 0.60, 0.85, 0.90, 0.85), 0.60, "MH", "C"),
        ((1.00, 1.00, 1.00, 1.00, 1.00), 1.00, "", "A"),
        ((0.00, 0.00, 0.00, 0.00, 0.00), 0.00, "", "-"),
        # A low-frequency panel: at .15 the curve reads 0 .15 .15 .15 .05; 250 Hz exceeds it by .60.
        ((0.60, 0.15, 0.10, 0.10, 0.10), 0.15, "L", "E"),
    ],
)
def test_rating(practical, value, indicators, letter):
    assert weighted_absorption(octaves(*practical)) == (value, indicators, letter)


def test_one_step_less_absorption_is_one_step_less_rating():
    # Control of the float trap: the first example with .40 in place of .45 at 250 Hz no longer holds .75.
    assert weighted_absorption(octaves(0.40, 0.80, 0.95, 0.90, 0.85)).value == 0.70


def test_practical_absorption():
    # Means .9133 -> .91 -> .90, .9267 -> .93 -> .95, .1767 -> .18 -> .20, 1.1 -> 1.00 (largest allowed).
    thirds = [0.90, 0.92, 0.92, 0.90, 0.93, 0.95, 0.17, 0.18, 0.18, 1.05, 1.10, 1.15]
    assert practical_absorption(thirds) == pytest.approx([0.90, 0.95, 0.20, 1.00], abs=1e-12)
    assert practical_absorption(np.tile(thirds, (3, 1))).shape == (3, 4)
    # .925 exactly rounds up whatever its binary form.
    assert practical_absorption([0.925, 0.925, 0.925]) == pytest.approx([0.95], abs=1e-12)


def test_iso_354():
    # 200 m3, 10.8 m2 of specimen, 5 s empty, 3 s with it, 343 m/s: 55.3 * 200 / 343 * (1/3 - 1/5) = 4.299 m2.
    area = equivalent_absorption_area(200.0, 5.0, 3.0, empty_speed=343.0, speed=343.0)
    assert area == pytest.approx(4.2993, abs=5e-5)  # half the last digit
    assert area / 10.8 == pytest.approx(0.39809, abs=5e-6)  # half the last digit
    # Air that absorbs more in the second measurement is not the specimen's: 4 * 200 * 0.001 = 0.8 m2.
    damp = equivalent_absorption_area(
        200.0, 5.0, 3.0, empty_speed=343.0, speed=343.0, empty_air_attenuation=0.002, air_attenuation=0.003
    )
    assert area - damp == pytest.approx(0.8, abs=1e-12)
