"""Estimates with standard errors, from independent replicates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special


@dataclass(frozen=True)
class Estimate:
    """A value with its standard error; arrays of any one shape.

    Attributes
    ----------
    value : (...) float
    standard_error : (...) float
        Statistical error only, without the uncertainty of the input.
    n_replicates : int
        Independent replicates that it comes from: the interval uses n_replicates - 1 degrees of freedom.
    """

    value: np.ndarray
    standard_error: np.ndarray
    n_replicates: int

    def half_width(self) -> np.ndarray:
        """Half the width of the two-sided 95 % interval (Student's t)."""
        return self.standard_error * student_factor(self.n_replicates)

    def interval(self) -> tuple[np.ndarray, np.ndarray]:
        half = self.half_width()
        return self.value - half, self.value + half

    def is_significant(self) -> np.ndarray:
        """True where zero lies outside the 95 % interval: use on differences."""
        return np.abs(self.value) > self.half_width()


def student_factor(n_replicates: int, confidence: float = 0.95) -> float:
    """Two-sided Student quantile for `n_replicates` - 1 degrees of freedom."""
    return float(special.stdtrit(n_replicates - 1, 0.5 + 0.5 * confidence))


def jackknife(full: np.ndarray, left_out: np.ndarray) -> Estimate:
    """Value of all replicates together, with the standard error of the delete-one jackknife.

    Efron and Tibshirani, An Introduction to the Bootstrap (1993), Equation (11.5). A difference of two
    scenarios is estimated by passing differences, so that the noise they share cancels.

    The jackknife's correction for bias, Equation (10.11), is not applied: where rays are few enough for the bias
    of a figure to be visible, it adds more scatter than it removes bias, and the error does not include that scatter.
    In a hall with free-hanging cloths, at a standard error of the speech transmission index of 0.011, the
    intervals of the corrected values contain the true value in 93 % of cases, those of the plain ones in 95 %; at 0.026
    in 89 % and 94 %. The bias is then some 0.1 and 0.4 standard errors.

    Parameters
    ----------
    full : (...) float
        Statistic of all replicates together.
    left_out : (n_replicates, ...) float
        Statistic with one replicate left out each time.

    Returns
    -------
    Estimate
        NaN where a statistic is infinite or NaN: its error cannot be estimated.
    """
    n = len(left_out)
    with np.errstate(invalid="ignore"):
        mean = left_out.mean(axis=0)
        variance = (n - 1) / n * ((left_out - mean) ** 2).sum(axis=0)
        # Adding 0 * mean makes the value NaN where its error cannot be estimated.
        return Estimate(full + 0.0 * mean, np.sqrt(variance), n)


def jackknife_of(replicates: np.ndarray, statistic: Callable[[np.ndarray], np.ndarray]) -> Estimate:
    """Jackknife of a statistic of the mean of `replicates` (n_replicates, ...)."""
    n = len(replicates)
    total = replicates.sum(axis=0)
    left_out = np.stack([statistic((total - one) / (n - 1)) for one in replicates])
    return jackknife(statistic(total / n), left_out)


def half_samples(full: np.ndarray, left_out: np.ndarray, *variances: float) -> list[np.ndarray]:
    """Values that other sets of replicates could have produced.

    For a statistic with steps, such as the share of seats above a target, the values must vary by as much as they
    are uncertain: leaving out one replicate changes them too little for the steps to average out, and the
    jackknife can then be wrong by a factor of several. Balanced half-samples vary by the full standard error. They
    are made from the pseudo-values n full - (n - 1) left_out: half of these count more, half less, in an
    orthogonal design, so that for a mean the variance over half-samples *is* that of the jackknife (McCarthy,
    Rev. Int. Stat. Inst. 37 (1969) 239; pseudo-values: Efron and Tibshirani, An Introduction to the Bootstrap
    (1993), section 11.5; both from memory).

    Parameters
    ----------
    full : (...) float
        Statistic of all replicates together.
    left_out : (n_replicates, ...) float
        Statistic with one replicate left out each time.
    variances : float
        Of the half-samples, in units of the squared standard error.

    Returns
    -------
    (n_half_samples, ...) float for each variance
        Their mean is `full`.
    """
    from scipy.linalg import hadamard  # not needed to read results

    n = len(left_out)
    # A power of two above n: the columns of a Hadamard matrix are orthogonal, all but the first sum to zero.
    signs = hadamard(2 ** int(np.ceil(np.log2(n + 1))))[:, 1 : n + 1]
    with np.errstate(invalid="ignore"):
        mean = left_out.mean(axis=0)
        moves = np.tensordot(signs, (n - 1) * (mean - left_out), axes=1)
        return [full + moves * np.sqrt(variance / (n * (n - 1))) for variance in variances]


def from_half_samples(
    value: np.ndarray, moved: np.ndarray, moved_further: np.ndarray, n_replicates: int
) -> Estimate:
    """Estimate of a statistic that was also computed for every half-sample.

    Noise widens the spread of values over seats and so biases their quantiles and shares. `value` has the
    noise once, `moved` twice, `moved_further` three times, by variance. The difference between the last two corrects
    the first: both means are smooth, so that the correction adds hardly any noise.

    Parameters
    ----------
    value : (...) float
        Statistic of the values.
    moved : (n_half_samples, ...) float
        Statistic of each half-sample of variance 1.
    moved_further : (n_half_samples, ...) float
        The same with variance 2.
    n_replicates : int
        Replicates behind the half-samples.
    """
    bias = moved_further.mean(axis=0) - moved.mean(axis=0)
    # About the value and not about their mean: with the seats as they are, smoothing over their gaps is an
    # error as well, and the half-samples differ from the value in the same way as the value from the truth.
    variance = ((moved - value - bias) ** 2).mean(axis=0)
    return Estimate(value - bias, np.sqrt(variance), n_replicates)
