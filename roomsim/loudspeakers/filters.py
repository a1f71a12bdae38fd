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
    side : "high" or "low", the frequencies that are passed

    Returns
    -------
    (n,) complex128, time dependence exp(+j w t)
    """
    # The import takes a second, which studies without crossovers are spared.
    from scipy import signal

    half = signal.butter(order // 2, 2.0 * np.pi * corner, btype=side, analog=True)
    _, response = signal.freqs(*half, worN=2.0 * np.pi * np.asarray(frequency, dtype=float))
    return response**2
