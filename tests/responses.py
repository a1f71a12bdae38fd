"""Energy responses for tests, given bin by bin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from roomsim.decay.response import MODULATION_FREQUENCIES, Arrivals, EnergyResponse

FINE_EDGES = 0.005 * np.arange(401)
"""2 s in steps of 5 ms."""
UNEVEN_EDGES = np.concatenate([0.005 * np.arange(20), 0.1 + 0.01 * np.arange(20), 0.3 + 0.05 * np.arange(35)])
"""2 s in steps of 5, 10 and 50 ms."""


def response_of(
    bin_edges: np.ndarray,
    late: np.ndarray,
    pulses: tuple[tuple[float, np.ndarray], ...] = (),
) -> EnergyResponse:
    """A response with the given late energy (n_replicates, n_receivers, n_bins, n_scenarios, 8).

    Each pulse is a time, s, and its energy, to be broadcast to (n_receivers, n_scenarios, 8), and is an early
    arrival; those at time zero are the direct sound.
    """
    n_receivers, _, n_scenarios, n_bands = late.shape[1:]
    per_seat = (n_receivers, n_scenarios, n_bands)
    direct = np.zeros(per_seat)
    modulation = np.zeros((n_receivers, len(MODULATION_FREQUENCIES), n_scenarios, n_bands), complex)
    pulses = tuple(sorted(pulses, key=lambda pulse: pulse[0]))
    energies = np.zeros((n_receivers, len(pulses), n_scenarios, n_bands))
    for i, (time, energy) in enumerate(pulses):
        energies[:, i] = np.broadcast_to(np.asarray(energy, dtype=float), per_seat)
        turn = np.exp(-2j * np.pi * MODULATION_FREQUENCIES * time)
        modulation += turn[None, :, None, None] * energies[:, None, i]
        if time == 0.0:
            direct += energies[:, i]
    times = np.array([time for time, _ in pulses]).reshape(-1, 1)
    arrivals = Arrivals(
        first=len(pulses) * np.arange(n_receivers + 1),
        time=np.tile(times, (n_receivers, n_bands)),
        energy=energies.reshape(-1, n_scenarios, n_bands),
    )
    return EnergyResponse(bin_edges, late, arrivals, direct, modulation)


def scaled(response: EnergyResponse, factor: float) -> EnergyResponse:
    """All energies times a factor."""
    return replace(
        response,
        late=response.late * factor,
        arrivals=replace(response.arrivals, energy=response.arrivals.energy * factor),
        direct=response.direct * factor,
        early_modulation=response.early_modulation * factor,
    )


def decaying(bin_edges: np.ndarray, remaining, n_replicates: int = 2) -> np.ndarray:
    """Late energy (n_replicates, 1, n_bins, 1, 8) from the integrated decay `remaining(time)`.

    `remaining` takes (n_bins + 1, 1) times to (n_bins + 1, 1 or 8) energies.
    """
    left = np.broadcast_to(remaining(bin_edges[:, None]), (len(bin_edges), 8))
    bins = (left[:-1] - left[1:])[None, None, :, None, :]
    # Double precision, so that closed forms are reproduced to rounding; traced energies have single precision.
    return np.repeat(bins, n_replicates, axis=0)
