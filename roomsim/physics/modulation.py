"""How much of an intensity modulation survives a decay and a noise, in closed form.

These are the modulation transfer functions of textbook sound fields: for tests, and for the statistical
estimate of speech transmission where no decay has been traced.
"""

from __future__ import annotations

from typing import Any

import numpy as np

DECAY_CONSTANT = 6.0 * np.log(10.0)
"""Energy falls as exp(-DECAY_CONSTANT t / T): 60 dB in the reverberation time T."""


def modulation_of_decay(
    modulation_frequency: Any, reverberation_time: Any, direct_ratio: Any = 0.0
) -> np.ndarray:
    """Modulation transfer of a direct sound followed at once by an exponential decay.

    Schroeder, Acustica 49 (1981) 179: the Fourier transform of the squared impulse response at the modulation
    frequency over its value at zero (from memory); Houtgast and Steeneken, Acustica 46 (1980) 60, for the
    decay alone (from memory). With x the energy of the direct sound over that of the decay,

        m = |x + 1 / (1 + j 2 pi F T / 13.8)| / (1 + x),   13.8 = 6 ln 10.

    Parameters
    ----------
    modulation_frequency : (...) float, Hz
    reverberation_time : (...) float, s
    direct_ratio : (...) float
        0 where there is no direct sound.

    Returns
    -------
    (...) float, 0 to 1, of the shapes broadcast together.
    """
    x = np.asarray(direct_ratio, dtype=float)
    turn = 2.0 * np.pi * np.asarray(modulation_frequency) * np.asarray(reverberation_time) / DECAY_CONSTANT
    return np.abs(x + 1.0 / (1.0 + 1j * turn)) / (1.0 + x)


def modulation_in_noise(signal_to_noise: Any) -> np.ndarray:
    """Modulation transfer of steady noise: m = 1 / (1 + 10^(-SNR/10)).

    Houtgast and Steeneken, Acustica 28 (1973) 66 (from memory); IEC 60268-16, noise factor.

    Parameters
    ----------
    signal_to_noise : (...) float, dB
    """
    return 1.0 / (1.0 + 10.0 ** (-np.asarray(signal_to_noise, dtype=float) / 10.0))
