"""Absorption as it may be: draws from what is known of each material.

Absorption coefficients are known to some ten per cent: laboratories differ by as much on one sample, and a
surface in a hall is not the sample. A material or fabric states a relative standard uncertainty; here its
absorption is drawn anew, for as many draws as wanted, each a hall that the statement allows.
"""

from __future__ import annotations

import zlib

import numpy as np
from scipy import special

from ..bands import N_BANDS

BAND_CORRELATION = 0.5
"""Between any two octave bands of one material (judged, no source). Mounting, age and extent move all bands
together; gap, weave and joints move single ones. Taken as half and half."""


class AbsorptionDraw:
    """Draw number `draw`: the same for ever for a seed, a material's name and its statement.

    One draw of a material holds wherever and in whichever scenario it is used, so that comparisons are made
    between scenarios of one and the same hall. Materials are drawn independently of each other; scattering
    stays as stated.

    Parameters
    ----------
    seed, draw : int
    """

    def __init__(self, seed: int, draw: int):
        self._seed, self._draw = seed, draw

    def __call__(self, of: str, name: str, absorption: np.ndarray, uncertainty: float) -> np.ndarray:
        """(8,) absorption drawn in place of the stated one, of a material or of a fabric as it hangs."""
        return drawn_absorption(absorption, uncertainty, self._scores(f"{of} {name}"))

    def _scores(self, name: str) -> np.ndarray:
        address = [self._seed, self._draw, zlib.crc32(name.encode())]
        common, *single = np.random.default_rng(address).standard_normal(1 + N_BANDS)
        return np.sqrt(BAND_CORRELATION) * common + np.sqrt(1.0 - BAND_CORRELATION) * np.array(single)


def drawn_absorption(absorption: np.ndarray, uncertainty: float, scores: np.ndarray) -> np.ndarray:
    """Absorption in place of a stated one: beta-distributed, so that the mean stays and values are in 0..1.

    Parameters
    ----------
    absorption : (n,) float, the mean
    uncertainty : float
        Relative standard uncertainty. The absolute one is held to what is left to 1, and to half the largest
        that values between 0 and 1 of this mean can have; 0 and 1 are certain.
    scores : (n,) float
        Standard normal: +1 is the quantile one standard deviation up.

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
