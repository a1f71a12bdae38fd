"""Sound that begins at another time in each band, as from a bass stack and a main at different places."""

from __future__ import annotations

import numpy as np
import pytest
from responses import response_of

from roomsim.metrics.evaluate import evaluate_whole

LATER = 0.2
"""s, by which bands from 1 kHz on begin later than those below."""
POWER, LENGTH = 2.0, 0.5
"""Traced energy per second from the start of each band on, and for how long, s."""
EDGES = 0.01 * np.arange(151)


@pytest.mark.parametrize("low_first", [True, False])
def test_early_and_late_are_counted_from_the_start_of_each_band(low_first: bool) -> None:
    """A pulse of 1 at the start of each band and P per second for L = 0.5 s after it, by hand: D50 is
    (1 + 0.05 P) / (1 + L P), C80 is 10 lg((1 + 0.08 P) / (0.42 P)), the centre time P L^2 / 2 / (1 + L P)."""
    low = np.arange(8) < 4
    start = np.where(low == low_first, 0.0, LATER)
    middle = 0.5 * (EDGES[:-1] + EDGES[1:])
    lasts = (middle[:, None] > start) & (middle[:, None] < start + LENGTH)
    late = np.tile(POWER * 0.01 * lasts[None, None, :, None, :], (2, 1, 1, 1, 1))
    pulses = tuple((time, (start == time).astype(float)) for time in (0.0, LATER))
    found = evaluate_whole(
        response_of(EDGES, late, pulses),
        np.full((1, 8), -np.inf),
        metrics=["definition_d50", "clarity_c80", "centre_time"],
    )
    whole = 1.0 + LENGTH * POWER
    c80 = 10.0 * np.log10((1.0 + 0.08 * POWER) / ((LENGTH - 0.08) * POWER))
    assert found["definition_d50"] == pytest.approx(np.full((1, 1, 8), (1.0 + 0.05 * POWER) / whole), rel=1e-6)
    assert found["clarity_c80"] == pytest.approx(np.full((1, 1, 8), c80), abs=1e-5)
    seconds = 0.5 * POWER * LENGTH**2 / whole
    assert found["centre_time"] == pytest.approx(np.full((1, 1, 8), 1000.0 * seconds), rel=1e-5)
