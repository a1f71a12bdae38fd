"""Random variation of absorption coefficients within their uncertainty.

Absorption coefficients are known to about ten per cent: laboratories differ by as much for the same sample, and a
surface in a hall differs from the sample. A material or fabric states a relative standard uncertainty, from which any
number of random draws are taken.
"""

from __future__ import annotations

import zlib

import numpy as np
from scipy import special

from ..bands import N_BANDS

BAND_CORRELATION = 0.5
"""Between any two octave bands of one material (an estimate, no source). Mounting, age and extent affect all bands;
gap, weave and joints affect single ones. Both are given equal weight."""


class AbsorptionDraw:
    """Draw number `draw`, reproducible from a seed, the name of a material and its absorption.

    A draw applies to a material in all places and scenarios, so that scenarios are compared in the same hall.
    Materials are drawn independently of each other; scattering is not varied.

    Parameters
    ----------
    seed, draw : int
    """

    def __init__(self, seed: int, draw: int):
        self._seed, self._draw = seed, draw

    def __call__(self, of: str, name: str, absorption: np.ndarray, uncertainty: float) -> np.ndarray:
        """(8,) random absorption of a material or of a fabric as hung."""
        seeds = [self._seed, self._draw, zlib.crc32(f"{of} {name}".encode())]
        common, *single = np.random.default_rng(seeds).standard_normal(1 + N_BANDS)
        scores = np.sqrt(BAND_CORRELATION) * common + np.sqrt(1.0 - BAND_CORRELATION) * np.array(single)
        return drawn_absorption(absorption, uncertainty, scores)


def drawn_absorption(absorption: np.ndarray, uncertainty: float, scores: np.ndarray) -> np.ndarray:
    """Beta-distributed absorption, which has the stated mean and lies between 0 and 1.

    Parameters
    ----------
    absorption : (n,) float, the mean
    uncertainty : float
        Relative standard uncertainty. The absolute one is limited to the difference from 1, and to half the largest
        one that a quantity between 0 and 1 can have with this mean; 0 and 1 are not varied.
    scores : (n,) float
        Standard normal scores: +1 is the quantile one standard deviation above the median.

    Returns
    -------
    (n,) float
    """
    absorption = np.asarray(absorption, dtype=float)
    left = absorption * (1.0 - absorption)
    deviation = np.minimum.reduce([uncertainty * absorption, 1.0 - absorption, 0.5 * np.sqrt(left)])
    some = deviation > 0.0
    drawn = absorption.copy()
    size = left[some] / deviation[some] ** 2 - 1.0
    quantile = special.ndtr(scores[some])
    drawn[some] = special.betaincinv(absorption[some] * size, (1.0 - absorption[some]) * size, quantile)
    return drawn
