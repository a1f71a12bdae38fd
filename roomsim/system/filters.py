"""Crossovers."""

from __future__ import annotations

import numpy as np


def linkwitz_riley(frequency: np.ndarray, corner: float, order: int, side: str) -> np.ndarray:
    """Complex response of one side of a crossover: a Butterworth filter of half the order, twice.

    Linkwitz, Journal of the Audio Engineering Society 24 (1976), 2 (from memory): both sides are 6 dB down at
    the corner and add up to an all-pass.

    Parameters
    ----------
    frequency : (n,) float, Hz
    corner : float, Hz
    order : 2, 4 or 8; 6 dB an octave each
    side : "high" or "low", what is let through

    Returns
    -------
    (n,) complex128, time dependence exp(+j w t)
    """
    # Poles of the low side lie evenly on the left half of a circle, those of the high side are its inverses;
    # written out, since importing a library of filters takes longer than reading a study.
    n, omega = order // 2, 2.0 * np.pi * corner
    poles = -np.exp(1j * np.pi * np.arange(1 - n, n, 2) / (2 * n))
    if side == "low":
        poles, numerator = omega * poles, np.array([omega**n])
    else:
        poles, numerator = omega / poles, np.append(1.0 / np.prod(-poles).real, np.zeros(n))
    s = 2j * np.pi * np.asarray(frequency, dtype=float)
    return (np.polyval(numerator, s) / np.polyval(np.poly(poles).real, s)) ** 2
