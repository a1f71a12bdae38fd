"""Room acoustical parameters of ISO 3382-1 and ISO 3382-2. Clauses are from memory.

Arrays have any common shape unless stated otherwise; energies are in any common unit.
"""

from __future__ import annotations

import numpy as np

from ..estimate import Estimate
from ..physics.levels import level


def clarity(early: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Early-to-late index, dB: C80 for music, C50 for speech.

    ISO 3382-1:2009, A.2.3, Equation (A.10).

    Parameters
    ----------
    early : (...) float
        Energy up to 80 ms or 50 ms after time zero.
    total : (...) float
        All energy from time zero on.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return level(early / (total - early))


def definition(early: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Share of the energy that comes within 50 ms, D50, 0 to 1 (ISO 3382-1:2009, A.2.3, Equation (A.11))."""
    with np.errstate(invalid="ignore"):
        return early / total


def centre_time(moment: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Centre of gravity of the squared impulse response, Ts, in ms (ISO 3382-1:2009, A.2.3, Equation (A.13)).

    Parameters
    ----------
    moment : (...) float
        Integral of energy times time, s.
    total : (...) float
    """
    with np.errstate(invalid="ignore"):
        return 1000.0 * moment / total


def strength(total: np.ndarray, source_power: np.ndarray) -> np.ndarray:
    """Sound strength G, dB: level re that of the same source at 10 m in the free field, mean over directions.

    ISO 3382-1:2009, A.2.1, Equations (A.1) and (A.6): the level at 10 m is the power level less
    10 lg(4 pi 10^2) dB, some 31 dB. The standard asks for an omnidirectional source; with another one G
    describes the level that this source produces for its power.

    Parameters
    ----------
    total : (...) float, re (20 uPa)^2
    source_power : (...) float, dB re 1 pW
        With a characteristic impedance of 400 Pa s/m, so that an omnidirectional source has 10 lg(4 pi) dB
        more power level than level at 1 m.
    """
    return level(total) - (source_power - 10.0 * np.log10(4.0 * np.pi * 10.0**2))


def direct_to_reverberant_ratio(direct: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Level of the direct sound over that of all that follows, dB."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return level(direct / (total - direct))


def curvature(reverberation_time_t20: np.ndarray, reverberation_time_t30: np.ndarray) -> np.ndarray:
    """Degree of curvature of a decay, C, percent (ISO 3382-2:2008, Annex B).

    0 to 5 % is common; above 10 % the decay deviates far from a straight line, and one reverberation time
    does not describe it.
    """
    return 100.0 * (reverberation_time_t30 / reverberation_time_t20 - 1.0)


def non_linearity(unexplained: np.ndarray) -> np.ndarray:
    """Degree of non-linearity of a decay, xi, permille (ISO 3382-2:2008, Annex B).

    0 to 5 permille is common; above 10 permille the decay deviates far from a straight line.

    Parameters
    ----------
    unexplained : (...) float
        1 - r^2 of the straight-line fit.
    """
    return 1000.0 * unexplained


def is_bent(curvature: Estimate) -> np.ndarray:
    """True where a decay certainly has more than one slope: C is significantly above 10 %.

    ISO 3382-2:2008, Annex B. The whole 95 % interval lies above the limit.

    Parameters
    ----------
    curvature : Estimate of any shape, percent
    """
    return curvature.interval()[0] > 10.0
