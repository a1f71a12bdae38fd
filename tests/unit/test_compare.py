"""Differences between scenarios: paired, and judged together."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from agreement import Disagreement, assert_share
from invented_results import invented_results
from scipy import stats

from roomsim.estimate import Estimate, jackknife
from roomsim.metrics.replicated import Replicated
from roomsim.results.records import Results
from roomsim.results.verdicts import holm, two_sided_p, verdicts
from roomsim.study.compare import STI, compare

N = 20
"""Replicates."""


def replicated(replicates: np.ndarray) -> Replicated:
    """Of figures that are means of what the replicates give: (n_replicates, n_receivers, n_scenarios,
    ...)."""
    total = replicates.sum(axis=0)
    return Replicated(total / N, (total - replicates) / (N - 1))


def noisy(rng: np.random.Generator, truth: np.ndarray, shared: float, own: float) -> np.ndarray:
    """Replicates of figures (n_receivers, n_scenarios) whose scenarios share most of their noise."""
    common = rng.normal(0.0, shared, (N, len(truth), 1))
    return truth + common + rng.normal(0.0, own, (N, *truth.shape))


def test_gains_are_those_of_a_paired_test() -> None:
    """Against scipy's paired t-test over the replicates, seat by seat and over the seats."""
    rng = np.random.default_rng(1)
    replicates = noisy(rng, rng.uniform(0.3, 0.7, (30, 4)), shared=0.05, own=0.004)
    compare_with = [0, 0, 1, 0]
    found = compare({STI: replicated(replicates)}, compare_with, sti_target=0.5)
    for level, samples in ((found.gains, replicates), (found.room_gains, replicates.mean(axis=1))):
        gain = level[STI]
        test = stats.ttest_rel(samples, samples[..., compare_with], axis=0)
        ours = gain.value[..., 1:] / gain.standard_error[..., 1:]
        # Both are sums over 20 replicates of numbers near 1 in double precision: 1e-9 leaves room for 1e6
        # roundings.
        np.testing.assert_allclose(ours, test.statistic[..., 1:], rtol=1e-9)
        np.testing.assert_allclose(two_sided_p(gain)[..., 1:], test.pvalue[..., 1:], rtol=1e-7)
    # Control: the errors of the figures themselves are some nine times as large, 0.05 against 0.004 *
    # sqrt(2).
    alone = found.seats[STI].standard_error
    assert np.all(alone[:, 1:] > 4.0 * found.gains[STI].standard_error[:, 1:])


def test_statistics_over_the_seats_are_compared_as_such() -> None:
    """With one seat every statistic is that seat, and its gain is that of the paired test."""
    rng = np.random.default_rng(2)
    replicates = noisy(rng, np.array([[0.4, 0.45, 0.38]]), shared=0.05, own=0.01)
    found = compare({STI: replicated(replicates)}, [0, 0, 1], sti_target=0.5)
    test = stats.ttest_rel(replicates[:, 0], replicates[:, 0][:, [0, 0, 1]], axis=0)
    for name in ("sti_median", "sti_worst_tenth"):
        gain = found.room_gains[name]
        np.testing.assert_allclose(gain.value[1:] / gain.standard_error[1:], test.statistic[1:], rtol=1e-9)


def test_median_worst_tenth_and_share_are_what_their_names_say() -> None:
    """Exact replicates: NumPy's median and quantile of the seats, and a count; errors of zero."""
    truth = np.random.default_rng(3).uniform(0.3, 0.7, (41, 2))
    found = compare({STI: replicated(np.repeat(truth[None], N, axis=0))}, [0, 0], sti_target=0.5)
    served = [sum(1 for seat in truth[:, scenario] if seat >= 0.5) / 41 for scenario in (0, 1)]
    expected = {
        "sti_median": np.median(truth, axis=0),
        "sti_worst_tenth": np.quantile(truth, 0.1, axis=0),
        "sti_share_of_seats": np.array(served),
        STI: truth.mean(axis=0),
    }
    for name, value in expected.items():
        # Replicates in double precision, multiplied by n - 1 = 19 and taken apart again: 1e-12 is 5000
        # roundings.
        np.testing.assert_allclose(found.room[name].value, value, rtol=1e-12)
        np.testing.assert_allclose(found.room_gains[name].value, value - value[0], atol=1e-12)
        assert np.all(found.room[name].standard_error < 1e-12)


def test_a_scenario_that_changes_nothing_differs_by_exactly_nothing() -> None:
    rng = np.random.default_rng(4)
    replicates = noisy(rng, rng.uniform(0.3, 0.7, (30, 1)), shared=0.05, own=0.01)
    found = compare({STI: replicated(np.repeat(replicates, 2, axis=2))}, [0, 0], sti_target=0.5)
    for gain in (found.gains[STI], *found.room_gains.values()):
        assert np.all(gain.value == 0.0)
        assert np.all(gain.standard_error == 0.0)
        assert np.all(two_sided_p(gain) == 1.0)


def test_a_seat_without_a_figure_drops_out_of_both_sides() -> None:
    """Scenario 1 lacks the best seat: that must not look like a loss."""
    rng = np.random.default_rng(5)
    truth = np.array([[0.3, 0.35], [0.4, 0.45], [0.9, 0.95]])
    replicates = noisy(rng, truth, shared=0.01, own=1e-5)
    replicates[:, 2, 1] = np.nan
    found = compare({STI: replicated(replicates)}, [0, 0], sti_target=0.5)
    assert np.isnan(found.seats[STI].value[2, 1])
    assert np.isnan(found.gains[STI].value[2, 1])
    # Two seats with own noise of 1e-5 in each of two scenarios and 20 replicates: standard error 2.2e-6.
    assert found.room_gains[STI].value[1] == pytest.approx(0.05, abs=6 * 2.2e-6)
    # Control: the difference of the means would be a loss of a tenth.
    assert found.room[STI].value[1] - found.room[STI].value[0] < -0.1


def test_bands_are_kept_apart() -> None:
    rng = np.random.default_rng(6)
    truth = rng.uniform(1.0, 3.0, (5, 2, 8))
    time = replicated(truth + rng.normal(0.0, 0.1, (N, *truth.shape)))
    sti = replicated(np.full((N, 5, 2), 0.5))
    found = compare({STI: sti, "reverberation_time_t20": time}, [0, 0], sti_target=0.5)
    assert found.seats["reverberation_time_t20"].value.shape == (5, 2, 8)
    assert found.room_gains["reverberation_time_t20"].value.shape == (2, 8)
    assert found.room["sti_median"].value.shape == (2,)


# --- verdicts -------------------------------------------------------------------------------------------


def test_holm_against_worked_examples() -> None:
    """Wikipedia, "Holm-Bonferroni method", worked example; R's help page of `p.adjust` (both from memory)."""
    np.testing.assert_array_equal(holm(np.array([0.01, 0.04, 0.03, 0.005]), 0.05), [True, False, False, True])
    # R: p.adjust(c(0.01, 0.02, 0.03, 0.04, 0.05), "holm") is 0.05 0.08 0.09 0.09 0.09.
    p = np.array([0.01, 0.02, 0.03, 0.04, 0.05])
    np.testing.assert_array_equal(holm(p, 0.0501), [True, False, False, False, False])
    np.testing.assert_array_equal(holm(p, 0.0801), [True, True, False, False, False])
    np.testing.assert_array_equal(holm(p, 0.0901), [True] * 5)
    assert not holm(p, 0.0499).any()
    assert holm(np.empty(0), 0.05).size == 0


def family_of_studies(rng: np.random.Generator, n_studies: int, n_scenarios: int) -> Estimate:
    """Gains (n_studies, n_scenarios) of scenarios that change nothing, from replicates with independent
    noise."""
    replicates = rng.normal(0.0, 1.0, (N, n_studies, n_scenarios))
    total = replicates.sum(axis=0)
    return jackknife(total / N, (total - replicates) / (N - 1))


def test_one_study_in_twenty_calls_anything_different_when_nothing_is() -> None:
    """False alarm 1e-6: 4000 studies of 8 scenarios each. For independent p-values Holm's first step decides:
    1 - (1 - 0.05 / 8)^8 = 0.0489 of the families err."""
    p = two_sided_p(family_of_studies(np.random.default_rng(7), 4000, 8))
    erring = sum(bool(holm(study, 0.05).any()) for study in p)
    assert_share(erring, 4000, 1.0 - (1.0 - 0.05 / 8) ** 8)
    # Control: looking at each interval by itself errs in every third study.
    with pytest.raises(Disagreement):
        assert_share(int((p < 0.05).any(axis=1).sum()), 4000, 1.0 - (1.0 - 0.05 / 8) ** 8)


@pytest.fixture
def results() -> Results:
    return invented_results()


def with_gains(results: Results, values: list[float], errors: list[float]) -> Results:
    gain = Estimate(np.array(values), np.array(errors), N)
    return dataclasses.replace(results, room_gains={**results.room_gains, "sti_median": gain})


def test_verdicts_in_words(results: Results) -> None:
    """With 19 degrees of freedom: t = 10 is beyond doubt (p = 5e-9), t = 1 is not (p = 0.33)."""
    values = [0.0, 0.05, 0.01, -0.04, -0.02, 0.01, 0.0, np.nan]
    errors = [0.0, 0.005, 0.001, 0.004, 0.002, 0.01, 0.0, np.nan]
    found = verdicts(with_gains(results, values, errors))
    assert [verdict.text for verdict in found] == [
        "reference",
        "better",
        "better, below one JND",
        "worse",
        "worse, below one JND",
        "no significant difference",
        "no significant difference",
        "not evaluable",
    ]
    # Student's t for 95 % and 19 degrees of freedom is 2.093 (any table).
    assert found[1].gain.low == pytest.approx(0.05 - 2.093 * 0.005, abs=0.0005 * 0.005)
    assert found[1].gain.high == pytest.approx(0.05 + 2.093 * 0.005, abs=0.0005 * 0.005)


def test_an_interval_without_zero_is_not_enough_among_many(results: Results) -> None:
    """t = 2.5 gives p = 0.022: enough for one comparison, not for the best of seven (0.05 / 7 = 0.007)."""
    none = [0.0] + [0.001] * 7
    found = verdicts(with_gains(results, [0.0, 0.025, *none[2:]], [0.0, 0.01, *[0.01] * 6]))
    assert found[1].gain.low > 0.0
    assert found[1].outcome == "no significant difference"
    # Where the others are certain, only one comparison is left to protect.
    found = verdicts(with_gains(results, [0.0, 0.025, *[0.1] * 6], [0.0, 0.01, *[0.001] * 6]))
    assert found[1].outcome == "better"


def test_a_certain_difference_is_one() -> None:
    p = two_sided_p(Estimate(np.array([0.1, 0.0, np.nan]), np.array([0.0, 0.0, 0.0]), N))
    np.testing.assert_array_equal(p, [0.0, 1.0, 1.0])
