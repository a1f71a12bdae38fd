"""Levels and A-weighting against IEC 61672-1."""

from __future__ import annotations

import numpy as np
import pytest
from tables import read_table

from roomsim.bands import EXACT, NOMINAL
from roomsim.physics.levels import (
    a_weighted_level,
    a_weighting,
    energy,
    level,
    level_sum,
)

TABLE = read_table("a_weighting_iec61672_table_3.csv")


def exact(nominal):
    """Base-ten mid-band frequency of a nominal one (IEC 61260-1)."""
    return 10.0 ** (np.round(10.0 * np.log10(nominal)) / 10.0)


def test_a_weighting_table():
    nominal = np.array([float(row["nominal"]) for row in TABLE])
    printed = np.array([float(row["weighting"]) for row in TABLE])
    np.testing.assert_allclose(
        a_weighting(exact(nominal)), printed, rtol=0, atol=0.051
    )  # half the printed digit
    # Control: nominal frequencies do not pass (63 Hz, 16 Hz).
    assert np.abs(a_weighting(nominal) - printed).max() > 0.06


def test_octaves_are_in_the_table():
    weighting = {float(row["nominal"]): float(row["weighting"]) for row in TABLE}
    printed = [weighting[f] for f in NOMINAL]
    np.testing.assert_allclose(a_weighting(EXACT), printed, rtol=0, atol=0.051)  # half the printed digit


def test_level_and_energy():
    assert energy(0.0) == 1.0
    assert level(energy(np.array([-30.0, 0.0, 94.0]))) == pytest.approx([-30.0, 0.0, 94.0], abs=1e-12)
    assert level(0.0) == -np.inf
    # Two equal sources: 3.01 dB more. Ten: 10 dB.
    assert level_sum([60.0, 60.0]) == pytest.approx(63.0103, abs=5e-5)
    assert level_sum(np.full((10, 3), 60.0), axis=0) == pytest.approx([70.0] * 3, abs=1e-12)


def test_speech_spectrum_of_iec_60268_16():
    # Annex M of IEC 60268-16:2011 (found in a transcription) uses 77.9 77.9 74.2 68.2 62.2 56.2 50.2 dB for
    # speech at 75 dB(A): A-weighted, printed values sum to 75 within the rounding of each octave to 0.1 dB.
    speech = np.array([77.9, 77.9, 74.2, 68.2, 62.2, 56.2, 50.2])
    assert a_weighted_level(np.append(-np.inf, speech)) == pytest.approx(75.0, abs=0.1)
    # Control: unweighted, or without the band axis in place, it does not.
    assert abs(level_sum(speech) - 75.0) > 5.0


def test_single_band_counts_with_its_weighting():
    only_1k = np.full((2, 8), -200.0)
    only_1k[:, 4] = [70.0, 50.0]
    assert a_weighted_level(only_1k) == pytest.approx([70.0, 50.0], abs=1e-9)
