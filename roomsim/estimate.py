"""A figure and how well it is known, from independent replicates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import stats


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

    Efron and Tibshirani, An Introduction to the Bootstrap (1993), Equations (11.5) and (10.11). A difference of
    two scenarios is estimated by handing in differences, so that the noise they share cancels.

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
