"""Speech transmission index, full method for male speech, and the figures derived from it.

IEC 60268-16:2020, clause numbers from memory; the figures agree with the worked example of its Annex M and
the verification cases of its Annex A (`tests/standards/test_iec60268_16.py`).
"""

from __future__ import annotations

import numpy as np

from ..physics.distance import articulation_loss_from_sti
from ..physics.levels import energy, level

OCTAVE_WEIGHT = np.array([0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173])
"""(7,) weight of each octave band 125 Hz to 8 kHz, male speech (Annex A)."""

REDUNDANCY = np.array([0.085, 0.078, 0.065, 0.011, 0.047, 0.095])
"""(6,) weight of the redundancy between neighbouring bands, male speech (Annex A)."""

RECEPTION_THRESHOLD = np.array([46.0, 27.0, 12.0, 6.5, 7.5, 8.0, 12.0])
"""(7,) absolute speech reception threshold, dB (Annex A)."""


SPEECH_RANGE = 15.0
"""dB; signal-to-noise ratios from minus to plus this value affect intelligibility."""


def masking_level(lower_level: np.ndarray) -> np.ndarray:
    """Auditory masking by the octave band below, dB re the level of that band (Annex A).

    Parameters
    ----------
    lower_level : (...) float, dB
        Level of the next lower octave band, speech and noise together.
    """
    return np.select(
        [lower_level < 63.0, lower_level < 67.0, lower_level < 100.0],
        [0.5 * lower_level - 65.0, 1.8 * lower_level - 146.9, 0.5 * lower_level - 59.8],
        default=-10.0,
    )


def hearing_factor(signal_level: np.ndarray, noise_level: np.ndarray) -> np.ndarray:
    """Factor by which noise, masking and the reception threshold reduce modulation (Annex A).

    Parameters
    ----------
    signal_level : (..., 7) float, dB
        Level of the speech in the octave bands 125 Hz to 8 kHz at the listener.
    noise_level : (..., 7) float, dB
        Minus infinity for none.

    Returns
    -------
    (..., 7) float, 0 to 1
    """
    signal = energy(signal_level)
    total = signal + energy(noise_level)
    lower = total[..., :-1]
    lower_level = level(lower)
    masking = np.zeros(total.shape)
    # No lower band masks the lowest band.
    masking[..., 1:] = lower * energy(masking_level(lower_level))
    return signal / (total + masking + energy(RECEPTION_THRESHOLD))


def transmission_index(modulation: np.ndarray) -> np.ndarray:
    """Transmission index of a modulation transfer ratio, 0 to 1, any shape (Annex A)."""
    # Apparent signal-to-noise ratios beyond the range are limited to it.
    least = 1.0 / (1.0 + 10.0 ** (SPEECH_RANGE / 10.0))
    modulation = np.clip(modulation, least, 1.0 - least)
    apparent = 10.0 * np.log10(modulation / (1.0 - modulation))
    return (apparent + SPEECH_RANGE) / (2.0 * SPEECH_RANGE)


def modulation_transfer_index(
    modulation: np.ndarray, signal_level: np.ndarray, noise_level: np.ndarray
) -> np.ndarray:
    """Modulation transfer index of each band: mean over the modulation frequencies (Annex A).

    Parameters
    ----------
    modulation : (n_receivers, 14, n_scenarios, 7) float
        Modulation transfer ratio of the room, without noise.
    signal_level : (n_receivers, n_scenarios, 7) float, dB
    noise_level : (n_scenarios, 7) or (n_receivers, n_scenarios, 7) float, dB

    Returns
    -------
    (n_receivers, n_scenarios, 7) float, 0 to 1
    """
    factor = hearing_factor(signal_level, noise_level)
    return transmission_index(modulation * factor[:, None]).mean(axis=1)


def speech_transmission_index(modulation_transfer_index: np.ndarray) -> np.ndarray:
    """STI from the modulation transfer indices of the bands 125 Hz to 8 kHz.

    IEC 60268-16:2020, Annex A: weighted sum less the redundancy of neighbours; at most 1.

    Parameters
    ----------
    modulation_transfer_index : (..., 7) float

    Returns
    -------
    (...) float, 0 to 1
    """
    index = modulation_transfer_index
    shared = np.sqrt(index[..., :-1] * index[..., 1:])
    return np.minimum(index @ OCTAVE_WEIGHT - shared @ REDUNDANCY, 1.0)


def articulation_loss(sti: np.ndarray) -> np.ndarray:
    """Articulation loss of consonants, percent, at most 100; any shape.

    Derived from the index (`physics.distance.articulation_loss_from_sti`), which is the more reliable figure.
    """
    return np.minimum(articulation_loss_from_sti(sti), 100.0)


RATING_LETTERS = ("U", "J", "I", "H", "G", "F", "E", "D", "C", "B", "A", "A+")
RATING_EDGES = (0.36, 0.40, 0.44, 0.48, 0.52, 0.56, 0.60, 0.64, 0.68, 0.72, 0.76)
"""Qualification bands of IEC 60268-16:2020, Annex F, and the lower edges of those from J on (read in a secondary
reproduction, not in the standard itself)."""
