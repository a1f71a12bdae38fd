"""Conversion between levels in decibels and energies, and the A-weighting.

Energy here is mean squared pressure re (20 uPa)^2, so that 0 dB is 1.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ..bands import EXACT


def energy(level: Any) -> np.ndarray:
    """Energy of a level: 10^(L/10). Any shape."""
    return 10.0 ** (np.asarray(level, dtype=float) / 10.0)


def level(energy: Any) -> np.ndarray:
    """Level of an energy, dB: 10 lg E. Any shape; zero energy gives minus infinity."""
    with np.errstate(divide="ignore"):
        return 10.0 * np.log10(np.asarray(energy, dtype=float))


def level_sum(levels: Any, axis: int = -1) -> np.ndarray:
    """Level of the sum of the energies, dB: incoherent sum along `axis`."""
    return level(energy(levels).sum(axis=axis))


def a_weighting(frequency: Any) -> np.ndarray:
    """A-weighting, dB, 0 at 1 kHz.

    IEC 61672-1:2013, Annex E, with the four pole frequencies rounded to 20.60, 107.7, 737.9 and 12 194 Hz as
    printed there (from memory). Intended for exact base-ten mid-band frequencies, for which the standard
    gives its Table 3.

    Parameters
    ----------
    frequency : (...) float, Hz
    """
    f2 = np.asarray(frequency, dtype=float) ** 2
    return 20.0 * np.log10(_a_response(f2) / _a_response(np.array(1e6)))


def _a_response(f2: np.ndarray) -> np.ndarray:
    return (
        12194.0**2
        * f2**2
        / ((f2 + 20.60**2) * np.sqrt(f2 + 107.7**2) * np.sqrt(f2 + 737.9**2) * (f2 + 12194.0**2))
    )


def a_weighted_level(octave_levels: Any) -> np.ndarray:
    """A-weighted level of a spectrum, dB.

    Each band counts with the weighting at its mid-band frequency, as in IEC 60268-16 and in common practice.

    Parameters
    ----------
    octave_levels : (..., 8) float, dB, 63 Hz to 8 kHz

    Returns
    -------
    (...) float, dB
    """
    return level_sum(np.asarray(octave_levels, dtype=float) + a_weighting(EXACT))
