"""The diffuse-field estimate as an energy response, so that every figure is computed by the same code.

Assumes one exponential decay from the arrival of the direct sound on: a diffuse field. It does not
take account of early reflections, the position of the absorption, or echoes.
"""

from __future__ import annotations

import numpy as np

from ..physics.distance import revised_theory
from ..physics.levels import energy
from ..physics.reverberation import DECAY_CONSTANT
from .response import MODULATION_FREQUENCIES, Arrivals, EnergyResponse


def diffuse_energy(
    source_power: np.ndarray,
    reverberation_time: np.ndarray,
    volume: float,
    distance: np.ndarray,
    speed_of_sound: float,
) -> np.ndarray:
    """Reverberant energy at seats, which decreases with distance (`physics.distance.revised_theory`).

    Parameters
    ----------
    source_power : (n_scenarios, 8) float, dB re 1 pW
    reverberation_time : (n_scenarios, 8) float, s
    volume : float, m3
    distance : (n_receivers,) float, m, to the source
    speed_of_sound : float, m/s

    Returns
    -------
    (n_receivers, n_scenarios, 8) float, re (20 uPa)^2, with a characteristic impedance of 400 Pa s/m
    """
    seats = np.asarray(distance, dtype=float)[:, None, None]
    _, early, late = revised_theory(seats, reverberation_time, volume, speed_of_sound=speed_of_sound)
    # Both are relative to the direct sound at 10 m.
    return energy(source_power) / (4.0 * np.pi * 10.0**2) * (early + late)


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
    remaining = np.exp(-DECAY_CONSTANT * np.asarray(bin_edges)[:, None, None] / reverberation_time)
    decay = np.asarray(reverberant)[:, None] * (remaining[:-1] - remaining[1:])
    n_receivers, n_scenarios, n_bands = direct.shape
    shape = (n_receivers, len(MODULATION_FREQUENCIES), n_scenarios, n_bands)
    return EnergyResponse(
        bin_edges=np.asarray(bin_edges, dtype=float),
        late=np.stack([decay, decay]).astype(np.float32),
        arrivals=Arrivals(np.arange(n_receivers + 1), np.zeros((n_receivers, n_bands)), direct),
        direct=direct,
        early_modulation=np.broadcast_to(direct[:, None], shape).astype(complex),
    )
