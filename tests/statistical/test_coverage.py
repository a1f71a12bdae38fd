"""Do the intervals of a run hold what a far longer run gives, as often as they say?

A small room is run 300 times with other seeds. Every seat and scenario counts by itself, since seats share
their rays: 300 independent intervals each. Then the share over all seats and scenarios, whose error comes
from the repeats. The longer form of this is among the benchmarks.
"""

from __future__ import annotations

import numpy as np
import pytest
from agreement import Disagreement, assert_agrees, assert_share
from repeated_runs import covered, figures, repeated, small_room

N_REPEATS = 300
RAYS_PER_BATCH = 64
"""1280 rays a run: standard errors of 0.01 in the index and 0.6 dB in clarity, as a hurried study has
them."""
LONGER = 200
"""Times as many rays in the long run, whose error is then 7 % of that of the others."""
N_CHECKS = 50
"""Intervals counted below, rounded up; they share a false-alarm rate of 1e-6 on new seeds."""


@pytest.fixture(scope="module")
def runs():
    return repeated(small_room(), range(1, N_REPEATS + 1), RAYS_PER_BATCH)


@pytest.fixture(scope="module")
def long_run():
    return figures(small_room(), 1_000_000, RAYS_PER_BATCH * LONGER)


def assert_every_interval_covers(inside: np.ndarray) -> None:
    for count in inside.sum(axis=0).ravel():
        assert_share(int(count), len(inside), 0.95, n_checks=N_CHECKS)


@pytest.mark.parametrize("name", ["STI", "level", "C50", "STI gain"])
def test_intervals_cover_the_long_run(runs, long_run, name):
    inside = covered(runs[name], long_run[name])
    assert_every_interval_covers(inside)
    by_run = inside.reshape(N_REPEATS, -1).mean(axis=1)
    error = by_run.std(ddof=1) / np.sqrt(N_REPEATS)
    # 300 runs with some independent seats each know the share to a point: 5 points off would be noticed.
    assert 5.5 * error < 0.05
    assert_agrees(by_run.mean(), error, 0.95, n_checks=4)

    shrunk = covered(runs[name], long_run[name], 0.6)  # control: errors said to be 0.6 of what they are
    with pytest.raises(Disagreement):
        assert_every_interval_covers(shrunk)


@pytest.mark.parametrize("name", ["STI", "level", "C50", "STI gain"])
def test_runs_scatter_about_the_long_run_by_what_they_say(runs, long_run, name):
    got = runs[name]
    scatter = got.value.std(axis=0, ddof=1)
    said = np.sqrt((got.standard_error**2).mean(axis=0))
    # The deviation of 300 values is known to 1 / sqrt(2 * 299) = 4 %; 5.5 of these for 1e-6 over all checks,
    # and half as much again because the values have longer tails than normal ones.
    np.testing.assert_allclose(said, scatter, rtol=0.34)
    mean_error = np.hypot(scatter / np.sqrt(N_REPEATS), long_run[name].standard_error)
    assert_agrees(got.value.mean(axis=0), mean_error, long_run[name].value, n_checks=N_CHECKS)
