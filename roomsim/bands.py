"""The octave bands of all computations. The band axis is always the last axis of an array."""

from __future__ import annotations

import numpy as np

N_BANDS = 8

NOMINAL = np.array([63, 125, 250, 500, 1000, 2000, 4000, 8000], dtype=float)
"""(8,) nominal mid-band frequencies, Hz (IEC 61260-1:2014, 5.5 and Annex E)."""

EXACT = 1000.0 * 10.0 ** (0.3 * np.arange(-4, 4))
"""(8,) exact base-ten mid-band frequencies, Hz (IEC 61260-1:2014, 5.2 and 5.4)."""

LABELS = ("63", "125", "250", "500", "1k", "2k", "4k", "8k")

NAMES = ("63 Hz", "125 Hz", "250 Hz", "500 Hz", "1 kHz", "2 kHz", "4 kHz", "8 kHz")

SPEECH = slice(1, 8)
"""The seven bands 125 Hz to 8 kHz of IEC 60268-16."""

SPEECH_MID = [3, 4, 5, 6]
"""Indices of 500 Hz to 4 kHz, which carry most of the intelligibility of speech."""

MID = (3, 4)
"""Indices of 500 Hz and 1 kHz, over which ISO 3382-1:2009, A.2 averages."""

BASS = (0, 1)
"""Indices of 63 Hz and 125 Hz, the bands that separate halls for amplified music."""

LINES_PER_BAND = 12
"""Frequencies at which complex pressures are summed in each octave before they become band power, unless a system
needs more (`system.elements.lines_of`): four in each third."""


def band_lines(mid_bands: np.ndarray = EXACT, per_band: np.ndarray | int = LINES_PER_BAND) -> np.ndarray:
    """(sum of per_band,) Hz, evenly spaced in the logarithm over each octave (base ten), none at a band edge.

    Parameters
    ----------
    mid_bands : (n_bands,) float, Hz
    per_band : (n_bands,) int, lines in each octave, or one number for all
    """
    mid_bands = np.asarray(mid_bands, dtype=float)
    return np.concatenate(
        [
            mid * 10.0 ** (0.3 * ((np.arange(n) + 0.5) / n - 0.5))
            for mid, n in zip(mid_bands, np.broadcast_to(per_band, mid_bands.shape), strict=True)
        ]
    )
