"""From the energy response to every figure at every seat, with replicates."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from itertools import islice

import numpy as np

from ..decay.curves import response_tail, seat_energies
from ..decay.response import EnergyResponse
from ..errors import suggestion
from ..physics.levels import energy, level
from .registry import METRICS, MetricInput
from .replicated import Replicated

CHUNK_BYTES = 8_000_000
"""Energies of the seats that are evaluated together: few enough to fit into the processor's cache."""


def evaluate(
    response: EnergyResponse,
    noise: np.ndarray,
    source_power: np.ndarray | None = None,
    metrics: Iterable[str] | None = None,
    threads: int = 1,
    noise_energy: np.ndarray | None = None,
) -> dict[str, Replicated]:
    """All figures of all seats.

    Parameters
    ----------
    response : EnergyResponse
        With two replicates or more.
    noise : (n_scenarios, 8) float, dB
        Noise at the seats; minus infinity for none.
    source_power : (n_scenarios, 8) float, dB re 1 pW, optional
        Of all sources together, with a characteristic impedance of 400 Pa s/m. Without it there is no sound
        strength: NaN.
    metrics : names from `registry.METRICS`, optional
        All by default.
    threads : int
        Seats are distributed over them; the figures do not depend on their number.
    noise_energy : (n_replicates, n_receivers, n_scenarios, 8) float, re (20 uPa)^2, optional
        Energy of sources whose sound counts as noise, in each replicate; added to `noise`.

    Returns
    -------
    dict from metric name to Replicated
        Arrays (n_receivers, n_scenarios) or, per band, (n_receivers, n_scenarios, 8), float64; NaN where a
        figure cannot be evaluated.

    Raises
    ------
    ValueError : unknown metric, fewer than two replicates, or arrays that do not fit.
    """
    if response.n_replicates < 2:
        raise ValueError("at least two replicates are required for a standard error")
    figures = _figures(
        response, noise, source_power, metrics, response.n_replicates + 1, threads, noise_energy
    )
    return {name: Replicated(figure[0], figure[1:]) for name, figure in figures.items()}


def evaluate_whole(
    response: EnergyResponse,
    noise: np.ndarray,
    source_power: np.ndarray | None = None,
    metrics: Iterable[str] | None = None,
    noise_energy: np.ndarray | None = None,
) -> dict[str, np.ndarray]:
    """All figures of all seats from all replicates together, without errors; one replicate is enough.

    Parameters as in `evaluate`; returns (n_receivers, n_scenarios) or (n_receivers, n_scenarios, 8) arrays by
    name. The bias of some figures from the finite number of rays is not removed: use them for differences on the
    same paths.
    """
    figures = _figures(response, noise, source_power, metrics, 1, noise_energy=noise_energy)
    return {name: figure[0] for name, figure in figures.items()}


def _figures(
    response: EnergyResponse,
    noise: np.ndarray,
    source_power: np.ndarray | None,
    metrics: Iterable[str] | None,
    n_sums: int,
    threads: int = 1,
    noise_energy: np.ndarray | None = None,
) -> dict[str, np.ndarray]:
    """(n_sums, n_receivers, ...) by name: from all replicates, then with each left out in turn."""
    names = list(METRICS) if metrics is None else list(metrics)
    for name in names:
        if name not in METRICS:
            raise ValueError(f"no metric {name!r}. {suggestion(name, METRICS)}")
    chosen = [METRICS[name] for name in names]
    noises = _noises(noise, noise_energy, response)
    if source_power is not None:
        source_power = np.asarray(source_power, dtype=float)
        _check_shape("source_power", source_power, (response.n_scenarios, 8))
    tail = response_tail(response)
    shape = (n_sums, response.n_receivers, response.n_scenarios)
    figures = {metric.name: np.empty((*shape, 8) if metric.per_band else shape) for metric in chosen}
    step = max(1, CHUNK_BYTES // max(1, 8 * response.late[0, :1].size))

    def fill(start: int) -> None:
        receivers = slice(start, start + step)
        for i, seats in enumerate(islice(seat_energies(response, tail, receivers), n_sums)):
            data = MetricInput(seats, noises(i, receivers), source_power)
            for metric in chosen:
                figures[metric.name][i, receivers] = metric.function(data)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(fill, range(0, response.n_receivers, step)))
    return figures


def _noises(
    noise: np.ndarray, noise_energy: np.ndarray | None, response: EnergyResponse
) -> Callable[[int, slice], np.ndarray]:
    """Noise level of some seats in sum i over replicates: all for i = 0, otherwise all but replicate i - 1."""
    noise = np.asarray(noise, dtype=float)
    _check_shape("noise", noise, (response.n_scenarios, 8))
    if noise_energy is None:
        return lambda _, receivers: noise
    shape = (response.n_replicates, response.n_receivers, response.n_scenarios, 8)
    _check_shape("noise_energy", noise_energy, shape)
    n, total, steady = len(noise_energy), noise_energy.sum(axis=0, dtype=np.float64), energy(noise)

    def together(i: int, receivers: slice) -> np.ndarray:
        # Rounding may leave a small negative energy where one replicate has all of it.
        if i == 0:
            added = total[receivers] / n
        else:
            added = np.maximum(total[receivers] - noise_energy[i - 1, receivers], 0.0) / (n - 1)
        return level(added + steady)

    return together


def _check_shape(name: str, array: np.ndarray, shape: tuple[int, ...]) -> None:
    if np.shape(array) != shape:
        raise ValueError(f"{name} has shape {np.shape(array)}, but the response requires {shape}")
