"""A figure and how well it is known, from independent replicates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import linalg, stats


@dataclass(frozen=True)
class Estimate:
    """A value with its standard error; arrays of any one shape.

    Attributes
    ----------
    value : (...) float
    standard_error : (...) float
        Statistical only; uncertainty of the input is something else.
    n_replicates : int
        Independent replicates behind it: the interval uses n_replicates - 1 degrees of freedom.
    """

    value: np.ndarray
    standard_error: np.ndarray
    n_replicates: int

    def half_width(self, confidence: float = 0.95) -> np.ndarray:
        """Half the width of the two-sided interval (Student's t)."""
        return self.standard_error * student_factor(self.n_replicates, confidence)

    def interval(self, confidence: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        half = self.half_width(confidence)
        return self.value - half, self.value + half

    def is_significant(self, confidence: float = 0.95) -> np.ndarray:
        """True where zero lies outside the interval: use on differences."""
        return np.abs(self.value) > self.half_width(confidence)


def student_factor(n_replicates: int, confidence: float = 0.95) -> float:
    """Two-sided Student quantile for `n_replicates` - 1 degrees of freedom."""
    return float(stats.t.ppf(0.5 + 0.5 * confidence, n_replicates - 1))


def jackknife(full: np.ndarray, left_out: np.ndarray) -> Estimate:
    """Delete-one jackknife: bias-corrected value and standard error.

    Efron and Tibshirani, An Introduction to the Bootstrap (1993), Equations (11.5) and (10.11). A
    difference of two scenarios is estimated by handing in differences, so that the noise they share
    cancels.

    Parameters
    ----------
    full : (...) float
        Statistic of all replicates together.
    left_out : (n_replicates, ...) float
        Statistic with one replicate left out each time.
    """
    n = len(left_out)
    mean = left_out.mean(axis=0)
    variance = (n - 1) / n * ((left_out - mean) ** 2).sum(axis=0)
    return Estimate(n * full - (n - 1) * mean, np.sqrt(variance), n)


def jackknife_of(replicates: np.ndarray, statistic: Callable[[np.ndarray], np.ndarray]) -> Estimate:
    """Jackknife of a statistic of the mean of `replicates` (n_replicates, ...)."""
    n = len(replicates)
    total = replicates.sum(axis=0)
    left_out = np.stack([statistic((total - one) / (n - 1)) for one in replicates])
    return jackknife(statistic(total / n), left_out)


def half_samples(full: np.ndarray, left_out: np.ndarray) -> np.ndarray:
    """Values as other, equally good sets of replicates might have given them.

    A statistic with steps, such as the share of seats above a target, must be moved by as much as the value
    is uncertain: leaving out one replicate moves it too little for the steps to average, and the jackknife
    then overstates the error several times. Balanced half-samples move by the full standard error. They are
    made from the pseudo-values n full - (n - 1) left_out: half of these count with one sign, half with the
    other, in an orthogonal design, so that for the mean of the pseudo-values the variance over half-samples
    *is* the variance of the jackknife (McCarthy, Rev. Int. Stat. Inst. 37 (1969) 239; pseudo-values: Efron
    and Tibshirani, An Introduction to the Bootstrap (1993), section 11.5; both from memory).

    Parameters
    ----------
    full : (...) float
        Statistic of all replicates together.
    left_out : (n_replicates, ...) float

    Returns
    -------
    (n_half_samples, ...) float
        Their mean is the bias-corrected value.
    """
    n = len(left_out)
    mean = left_out.mean(axis=0)
    # A power of two above n: the columns of a Hadamard matrix are orthogonal, all but the first sum to zero.
    signs = linalg.hadamard(2 ** int(np.ceil(np.log2(n + 1))))[:, 1 : n + 1]
    moves = np.tensordot(signs, (n - 1) * (mean - left_out), axes=1) / np.sqrt(n * (n - 1))
    return n * full - (n - 1) * mean + moves


def from_half_samples(value: np.ndarray, moved: np.ndarray, n_replicates: int) -> Estimate:
    """Estimate of a statistic that was also computed for every half-sample.

    The half-samples are noisier than the values themselves by as much as these are than the truth; so what
    that does to the statistic on average is taken off once (Efron and Tibshirani (1993), Equation (10.6)
    applied to half-samples, from memory).

    Parameters
    ----------
    value : (...) float
        Statistic of the bias-corrected values.
    moved : (n_half_samples, ...) float
        Statistic of each half-sample.
    """
    mean = moved.mean(axis=0)
    return Estimate(2.0 * value - mean, np.sqrt(((moved - mean) ** 2).mean(axis=0)), n_replicates)
