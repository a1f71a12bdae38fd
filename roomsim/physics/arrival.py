"""Delays, precedence of the first arrival, and spacing of fills."""

from __future__ import annotations

from typing import Any

import numpy as np

OFFSET = 0.010
"""s by which a fill or delay follows the mains, so that sound is localised at the mains: 5 to 15 ms (common
practice, no source)."""

_LAG = np.array([0.0, 0.001, 0.005, 0.030, 0.050, 0.080])
_LOUDER = np.array([0.0, 5.0, 10.0, 10.0, 0.0, -10.0])
"""s and dB. The flat part is that of Haas, Acustica 1 (1951), 49: from 5 to 30 ms a repetition may be 10 dB
louder before it is perceived as equally loud as the first. The slopes on either side are common practice, no source."""


def precedence_limit(lag: Any) -> np.ndarray:
    """Largest dB by which a later sound may exceed the first without dominating or being perceived as an echo.

    Haas, Acustica 1 (1951), 49 (from memory), for speech; beyond 5 to 30 ms common practice, no source.

    Parameters
    ----------
    lag : (...) float, s, after the first
    """
    return np.interp(np.asarray(lag, dtype=float), _LAG, _LOUDER)


def fill_spacing(distance: Any, coverage: Any) -> np.ndarray:
    """m between fills whose -6 dB edges meet at a distance: 2 d tan(coverage / 2).

    There both add up to the level on axis where they are in phase, and to 3 dB less on average (common
    practice, no source). Nearer, there are gaps; from twice this distance three or more fills overlap.

    Parameters
    ----------
    distance : (...) float, m, of the first row
    coverage : (...) float, degrees, full horizontal angle between the -6 dB directions, below 180
    """
    return 2.0 * np.asarray(distance, dtype=float) * np.tan(np.radians(coverage) / 2.0)
