"""Statistics over seats of replicated figures."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.metrics.replicated import Replicated, mean_of_seats


def test_half_samples_of_a_mean_have_once_and_twice_its_variance() -> None:
    """For a mean over replicates the variance over balanced half-samples is that of the jackknife (McCarthy 1969), and
    of the mean of n values that is s^2 / n. The second set moves sqrt(2) times as far."""
    rng = np.random.default_rng(5)
    values = rng.normal(3.0, 1.0, (20, 6, 2))
    full = values.mean(axis=0)
    left_out = (20 * full - values) / 19.0
    found = Replicated(full, left_out).over_seats(mean_of_seats)
    expected = values.mean(axis=1).var(axis=0, ddof=1) / 20
    for moves, variance in ((found.moved, expected), (found.moved_further, 2.0 * expected)):
        assert np.square(moves - full.mean(axis=0)).mean(axis=0) == pytest.approx(variance, rel=1e-9)
