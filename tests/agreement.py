"""Tests of whether an estimate agrees with the true value, with a stated false-alarm rate.

The false-alarm rate is the probability that a correct program fails with a *new* seed; the tests have fixed seeds, so
their results repeat. `n_checks` is the number of comparisons that share the rate: their joint rate is then at most
`false_alarm`, by Sidak's inequality (J. Am. Stat. Assoc. 62 (1967) 626, from memory) also where they are correlated.
"""

from __future__ import annotations

import numpy as np
from scipy import stats


class Disagreement(AssertionError):
    """A comparison failed. Controls expect this type, so that no other failure passes for one."""


def largest_ratio(n_checks: int, false_alarm: float = 1e-6, degrees_of_freedom: float | None = None) -> float:
    """Largest |value - truth| / standard_error that is not significant: Student's t, or normal without degrees."""
    if n_checks < 1 or not 0.0 < false_alarm < 1.0:
        raise ValueError("n_checks must be at least 1 and false_alarm between 0 and 1")
    # Sidak: 1 - (1 - each)^n = false_alarm. The logarithms keep the digits of small rates.
    each = -np.expm1(np.log1p(-false_alarm) / n_checks)
    if degrees_of_freedom is None:
        return float(stats.norm.isf(each / 2.0))
    return float(stats.t.isf(each / 2.0, degrees_of_freedom))


def assert_agrees(
    value: object,
    standard_error: object,
    truth: object,
    *,
    n_checks: int,
    false_alarm: float = 1e-6,
    degrees_of_freedom: float | None = None,
    slack: object = 0.0,
) -> None:
    """Fail if a value differs significantly from the true value.

    Parameters
    ----------
    value, standard_error, truth : float or arrays that broadcast
        A standard error of zero demands exact equality. NaN anywhere fails.
    n_checks : int
        Comparisons that share `false_alarm`; at least the number of values.
    false_alarm : float
        Probability that a correct program fails any of them on a new seed.
    degrees_of_freedom : float, optional
        Of the standard error (replicates - 1). Without it the standard error counts as known.
    slack : float or array
        Error of the true value itself, in addition to the statistical error: a bound whose derivation is given at the
        call.
    """
    arrays = (np.asarray(array, dtype=float) for array in (value, standard_error, truth))
    value, standard_error, truth = np.broadcast_arrays(*arrays)
    if value.size == 0:
        raise ValueError("there are no values to compare")
    if value.size > n_checks:
        raise ValueError(f"{value.size} comparisons, but n_checks = {n_checks}")
    if np.any(standard_error < 0.0):
        raise ValueError("negative standard error")
    ratio = largest_ratio(n_checks, false_alarm, degrees_of_freedom)
    # Written so that NaN counts as outside.
    outside = ~(np.abs(value - truth) <= ratio * standard_error + np.asarray(slack, dtype=float))
    if not outside.any():
        return
    lines = [
        f"  {tuple(map(int, place))}: {value[tuple(place)]:.6g} +- {standard_error[tuple(place)]:.2g}, "
        f"should be {truth[tuple(place)]:.6g}"
        for place in np.argwhere(outside)[:8]
    ]
    raise Disagreement(
        f"{outside.sum()} of {value.size} outside {ratio:.2f} standard errors "
        f"(false alarm {false_alarm:g}):\n" + "\n".join(lines)
    )


def assert_share(
    n_true: int, n_total: int, probability: float, *, n_checks: int = 1, false_alarm: float = 1e-6
) -> None:
    """Fail unless a count of independent events fits its probability, both sides (exact binomial tails).

    Use it for the coverage of intervals: `n_true` of `n_total` intervals contain the true value, `probability` is the
    expected share.
    """
    each = -np.expm1(np.log1p(-false_alarm) / n_checks)
    low = stats.binom.cdf(n_true, n_total, probability)
    high = stats.binom.sf(n_true - 1, n_total, probability)
    if min(low, high) < each / 2.0:
        raise Disagreement(
            f"{n_true} of {n_total} ({n_true / n_total:.4f}) where {probability:.4f} is due: probability "
            f"{min(low, high):.2g}, below {each / 2.0:.2g}"
        )
