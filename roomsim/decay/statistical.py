"""The diffuse-field estimate as an energy response, so that every figure is computed by the same code.

Assumes one exponential decay from the arrival of the direct sound on: a diffuse field. It knows nothing of
early reflections, of where the absorption hangs, or of echoes.
"""

from __future__ import annotations

import numpy as np

from .response import MODULATION_FREQUENCIES, EnergyResponse

DECAY = 6.0 * np.log(10.0)
"""Rate times reverberation time: 60 dB."""


def diffuse_energy(
    power_level: np.ndarray,
    reverberation_time: np.ndarray,
    volume: float,
    distance: np.ndarray,
    speed_of_sound: float,
) -> np.ndarray:
    """Reverberant energy at seats, falling with distance.

    Barron and Lee, JASA 84 (1988) 618 ("revised theory", from memory): at distance r the reverberant sound is
    what a diffuse field holds after the time r/c, 4/A exp(-6 ln(10) r / (c T)) times the source's power, with
    A = 24 ln(10) V / (c T) (Sabine).

    Parameters
    ----------
    power_level : (n_scenarios, 8) float, dB re 1 pW
    reverberation_time : (n_scenarios, 8) float, s
    volume : float, m3
    distance : (n_receivers,) float, m, to the source
    speed_of_sound : float, m/s

    Returns
    -------
    (n_receivers, n_scenarios, 8) float, re (20 uPa)^2, with a characteristic impedance of 400 Pa s/m
    """
    absorption_area = 4.0 * DECAY * volume / (speed_of_sound * reverberation_time)
    steady = 10.0 ** (np.asarray(power_level) / 10.0) * 4.0 / absorption_area
    travelled = np.asarray(distance, dtype=float)[:, None, None] / speed_of_sound
    return steady * np.exp(-DECAY * travelled / reverberation_time)


def statistical_response(
    bin_edges: np.ndarray, reverberation_time: np.ndarray, reverberant: np.ndarray, direct: np.ndarray
) -> EnergyResponse:
    """Direct sound at time zero and an exponential decay from there.

    Parameters
    ----------
    bin_edges : (n_bins + 1,) float, s
    reverberation_time : (n_scenarios, 8) float, s
        From any of the formulas for a diffuse field.
    reverberant : (n_receivers, n_scenarios, 8) float
        All the energy of the decay.
    direct : (n_receivers, n_scenarios, 8) float
        Energy of the direct sound.

    Returns
    -------
    EnergyResponse
        With two equal replicates: its standard errors are zero, because nothing was sampled.
    """
    direct = np.asarray(direct, dtype=float)
    remaining = np.exp(-DECAY * np.asarray(bin_edges)[:, None, None] / reverberation_time)
    decay = np.asarray(reverberant)[:, None] * (remaining[:-1] - remaining[1:])
    early = np.zeros(decay.shape)
    early[:, 0] = direct
    n_receivers, n_scenarios, n_bands = direct.shape
    shape = (n_receivers, len(MODULATION_FREQUENCIES), n_scenarios, n_bands)
    return EnergyResponse(
        bin_edges=np.asarray(bin_edges, dtype=float),
        late=np.stack([decay, decay]).astype(np.float32),
        early=early,
        direct=direct,
        early_moment=np.zeros(direct.shape),
        early_modulation=np.broadcast_to(direct[:, None], shape).astype(complex),
    )
