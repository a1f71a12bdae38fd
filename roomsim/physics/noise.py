"""Rating curves for noise in rooms: NR and NC."""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from ..errors import PhysicalRangeError

_NR_A = np.array([35.5, 22.0, 12.0, 4.8, 0.0, -3.5, -6.1, -8.0])
_NR_B = np.array([0.790, 0.870, 0.930, 0.974, 1.000, 1.015, 1.025, 1.030])
"""Octaves 63 Hz to 8 kHz (ISO/R 1996:1971, from memory)."""

_NC_RATINGS = np.arange(15.0, 71.0, 5.0)
_NC_LEVELS = np.array(
    [
        [47, 36, 29, 22, 17, 14, 12, 11],
        [51, 40, 33, 26, 22, 19, 17, 16],
        [54, 44, 37, 31, 27, 24, 22, 21],
        [57, 48, 41, 35, 31, 29, 28, 27],
        [60, 52, 45, 40, 36, 34, 33, 32],
        [64, 56, 50, 45, 41, 39, 38, 37],
        [67, 60, 54, 49, 46, 44, 43, 42],
        [71, 64, 58, 54, 51, 49, 48, 47],
        [74, 67, 62, 58, 56, 54, 53, 52],
        [77, 71, 67, 63, 61, 59, 58, 57],
        [80, 75, 71, 68, 66, 64, 63, 62],
        [84, 79, 75, 72, 71, 70, 68, 68],
    ],
    dtype=float,
)
"""Octaves 63 Hz to 8 kHz of NC-15 to NC-70 (ANSI/ASA S12.2, table of NC curves, from memory)."""

SAME_LEVEL = 0.01
"""dB by which an octave may exceed a curve and still count as on it: a tenth of the precision of coefficients and
levels, and far more than the rounding error of the computation."""

CURVE = re.compile(r"\s*(NR|NC)[ -]?(\d{1,3}(?:\.\d+)?)\s*", re.IGNORECASE)
"""Notation of a curve: "NR 35", "NC-30"."""


def noise_rating_curve(rating: Any) -> np.ndarray:
    """Octave levels of an NR curve: a + b N (ISO/R 1996:1971; coefficients from memory).

    Parameters
    ----------
    rating : (...) float, N, 0 to 130

    Returns
    -------
    (..., 8) float, dB, 63 Hz to 8 kHz

    Raises
    ------
    PhysicalRangeError : the rating is outside the range of the curves
    """
    rating = np.asarray(rating, dtype=float)
    if not np.all((rating >= 0.0) & (rating <= 130.0)):
        raise PhysicalRangeError("NR curves are defined from 0 to 130", cure="Choose a rating in this range.")
    return _NR_A + _NR_B * rating[..., None]


def noise_criterion_curve(rating: float) -> np.ndarray:
    """(8,) octave levels of an NC curve, dB, 63 Hz to 8 kHz, linear between the tabulated curves.

    ANSI/ASA S12.2, table of NC curves (from memory), NC-15 to NC-70.

    Raises
    ------
    PhysicalRangeError : the rating is outside the range of the curves
    """
    if not _NC_RATINGS[0] <= rating <= _NC_RATINGS[-1]:
        raise PhysicalRangeError(
            "NC curves are defined from 15 to 70", cure="Choose a rating in this range, or an NR curve."
        )
    return np.array([np.interp(rating, _NC_RATINGS, band) for band in _NC_LEVELS.T])


def noise_rating(levels: Any) -> np.ndarray:
    """NR of a noise: the lowest curve that no octave exceeds, not rounded.

    Parameters
    ----------
    levels : (..., 8) float, dB, 63 Hz to 8 kHz

    Returns
    -------
    (...) float; below 0 where all bands are under the lowest curve
    """
    return ((np.asarray(levels, dtype=float) - _NR_A) / _NR_B).max(axis=-1)


def whole_noise_rating(levels: Any) -> np.ndarray:
    """NR of a noise as usually quoted: the lowest curve of integer rating that no octave exceeds by more than
    `SAME_LEVEL`.

    Parameters
    ----------
    levels : (..., 8) float, dB, 63 Hz to 8 kHz

    Returns
    -------
    (...) int
    """
    return np.ceil(noise_rating(np.asarray(levels, dtype=float) - SAME_LEVEL)).astype(int)


def named_curve(text: str) -> np.ndarray | None:
    """(8,) octave levels of a curve by its name, "NR 35" or "NC-30"; None where the text is not the name of a curve.

    Raises
    ------
    PhysicalRangeError : the rating is outside the range of the curves
    """
    match = CURVE.fullmatch(text)
    if match is None:
        return None
    kind, rating = match[1].upper(), float(match[2])
    return noise_rating_curve(rating) if kind == "NR" else noise_criterion_curve(rating)
