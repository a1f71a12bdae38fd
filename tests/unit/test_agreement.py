"""The helper that all statistical tests rest on."""

from __future__ import annotations

import numpy as np
import pytest
from agreement import Disagreement, assert_agrees, assert_share, largest_ratio


@pytest.mark.parametrize(
    ("degrees_of_freedom", "quantile"),
    # Two-sided 5 % points: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1 and 1.3.6.7.2 (printed
    # to three decimals).
    [(None, 1.960), (10, 2.228), (19, 2.093), (29, 2.045)],
)
def test_ratio_is_the_printed_quantile(degrees_of_freedom, quantile):
    ratio = largest_ratio(1, 0.05, degrees_of_freedom)
    assert abs(ratio - quantile) <= 0.0006  # half the last printed digit, and rounding


def test_ratio_grows_with_the_number_of_checks_and_keeps_its_joint_rate():
    # With a rate of 0.1 over 20 independent checks, a run of correct results fails one time in ten.
    rng = np.random.default_rng(20)
    runs = rng.standard_normal((4000, 20))
    failed = (np.abs(runs) > largest_ratio(20, 0.1)).any(axis=1)
    assert_share(int(failed.sum()), 4000, 0.1)
    with pytest.raises(Disagreement):  # control: the ratio of a single check fails far more often
        assert_share(int((np.abs(runs) > largest_ratio(1, 0.1)).any(axis=1).sum()), 4000, 0.1)


def test_agreement_and_disagreement():
    assert_agrees([1.0, 2.0], [0.1, 0.1], [1.2, 1.8], n_checks=2)
    with pytest.raises(Disagreement, match=r"1 of 2 outside"):
        assert_agrees([1.0, 2.0], [0.1, 0.1], [1.2, 2.8], n_checks=2)


def test_zero_standard_error_demands_equality():
    assert_agrees(0.0, 0.0, 0.0, n_checks=1)
    with pytest.raises(Disagreement):
        assert_agrees(1e-12, 0.0, 0.0, n_checks=1)


@pytest.mark.parametrize("values", [(np.nan, 1.0, 0.0), (0.0, np.nan, 0.0), (0.0, 1.0, np.nan)])
def test_nan_never_agrees(values):
    with pytest.raises(Disagreement):
        assert_agrees(*values, n_checks=1)


def test_undeclared_comparisons_are_refused():
    with pytest.raises(ValueError, match="3 comparisons"):
        assert_agrees(np.zeros(3), 1.0, 0.0, n_checks=2)
    with pytest.raises(ValueError, match="no values"):
        assert_agrees(np.zeros(0), 1.0, 0.0, n_checks=2)
    with pytest.raises(ValueError, match="negative"):
        assert_agrees(0.0, -1.0, 0.0, n_checks=1)


def test_share_is_two_sided():
    assert_share(95, 100, 0.95)
    with pytest.raises(Disagreement):
        assert_share(100, 100, 0.5)
    with pytest.raises(Disagreement):
        assert_share(0, 100, 0.5)
