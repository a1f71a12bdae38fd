"""Values with standard errors: identities that hold exactly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from roomsim.estimate import (
    Estimate,
    from_half_samples,
    half_samples,
    jackknife,
    jackknife_of,
    student_factor,
)


@pytest.mark.parametrize(
    ("n_replicates", "confidence", "factor"),
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, upper critical values of Student's t, three
    # decimals: 0.975 with 1, 10, 19, 29 degrees of freedom, 0.95 and 0.995 with 19.
    [
        (2, 0.95, 12.706),
        (11, 0.95, 2.228),
        (20, 0.95, 2.093),
        (30, 0.95, 2.045),
        (20, 0.9, 1.729),
        (20, 0.99, 2.861),
    ],
)
def test_student_factor(n_replicates, confidence, factor):
    assert abs(student_factor(n_replicates, confidence) - factor) <= 6e-4  # half the last digit, and rounding


def test_interval_and_significance():
    estimate = Estimate(np.array([1.0, -1.0, 0.1]), np.array([0.1, 0.1, 0.1]), 20)
    low, high = estimate.interval()
    np.testing.assert_allclose(high - low, 2 * 0.2093, atol=2e-4)  # printed factor, three decimals
    assert estimate.is_significant().tolist() == [True, True, False]


def left_out_of(replicates, statistic):
    n = len(replicates)
    return np.stack([statistic(np.delete(replicates, i, axis=0)) for i in range(n)])


def test_jackknife_of_a_mean_is_the_textbook_standard_error():
    replicates = np.random.default_rng(1).gamma(2.0, 1.0, (20, 3, 4))
    got = jackknife(replicates.mean(axis=0), left_out_of(replicates, lambda x: x.mean(axis=0)))
    np.testing.assert_allclose(got.value, replicates.mean(axis=0), rtol=1e-12)  # rounding
    np.testing.assert_allclose(got.standard_error, stats.sem(replicates, axis=0), rtol=1e-12)  # rounding
    assert got.n_replicates == 20


def test_jackknife_of_the_published_ratio():
    # Efron and Tibshirani (1993), Table 10.1, hormone patch data (from memory): the ratio of means is -0.0713, its
    # jackknife bias 0.0080; the bias is the mean of the pseudo-values' distance from it, and the error that of their
    # mean.
    change = np.array([-1200.0, 2601, -2705, 1982, -1290, 351, -638, -2719])
    effect = np.array([8406.0, 2342, 8187, 8459, 4795, 3516, 4796, 10238])
    got = jackknife_of(np.stack([change, effect], axis=1), lambda mean: mean[..., 0] / mean[..., 1])
    assert abs(got.value + 0.0713) <= 5e-5  # half the last digit
    plain = change.sum() / effect.sum()
    pseudo = np.array(
        [8 * plain - 7 * (change.sum() - c) / (effect.sum() - e) for c, e in zip(change, effect)]
    )
    assert abs(plain - pseudo.mean() - 0.0080) <= 5e-5  # half the last digit
    np.testing.assert_allclose(got.standard_error, stats.sem(pseudo), rtol=1e-12)  # rounding


def test_a_difference_of_equals_is_exactly_nothing():
    replicates = np.random.default_rng(3).gamma(1.0, 1.0, (20, 5))
    left_out = left_out_of(replicates, lambda x: np.log(x.mean(axis=0)))
    full = np.log(replicates.mean(axis=0))
    got = jackknife(full - full, left_out - left_out)
    assert (got.value == 0.0).all() and (got.standard_error == 0.0).all()
    assert not got.is_significant().any()


@given(n=st.integers(2, 40), seed=st.integers(0, 1000), variance=st.sampled_from([1.0, 2.0]))
def test_half_samples_of_a_mean_have_the_variance_of_the_jackknife(n, seed, variance):
    replicates = np.random.default_rng(seed).normal(3.0, 2.0, (n, 4))
    full, left_out = replicates.mean(axis=0), left_out_of(replicates, lambda x: x.mean(axis=0))
    (moved,) = half_samples(full, left_out, variance)
    want = jackknife(full, left_out)
    np.testing.assert_allclose(moved.mean(axis=0), want.value, rtol=1e-10)  # rounding
    spread = np.sqrt(((moved - want.value) ** 2).mean(axis=0))
    # Rounding: left-out means differ by 1/n of what the replicates do.
    np.testing.assert_allclose(spread, np.sqrt(variance) * want.standard_error, rtol=1e-9)


def test_half_samples_move_replicates_independently():
    # With one replicate off zero at a time, moves of different replicates are orthogonal over half-samples.
    n = 20
    replicates = np.eye(n)
    (moved,) = half_samples(replicates.mean(axis=0), left_out_of(replicates, lambda x: x.mean(axis=0)), 1.0)
    moves = moved - moved.mean(axis=0)
    covariance = moves.T @ moves / len(moves)
    want = np.cov(replicates.T, ddof=1) / n
    np.testing.assert_allclose(covariance, want, atol=1e-12)  # rounding


def test_from_half_samples_of_a_linear_statistic_is_the_jackknife():
    replicates = np.random.default_rng(4).normal(size=(20, 50))
    full, left_out = replicates.mean(axis=0), left_out_of(replicates, lambda x: x.mean(axis=0))
    moved, further = half_samples(full, left_out, 1.0, 2.0)
    got = from_half_samples(full.mean(), moved.mean(axis=1), further.mean(axis=1), 20)
    want = jackknife(full.mean(), left_out.mean(axis=1))
    assert abs(got.value - want.value) < 1e-12  # rounding
    assert abs(got.standard_error - want.standard_error) < 1e-12  # rounding
