"""From the energy response to every figure at every seat, with replicates."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from itertools import islice

import numpy as np

from ..decay.curves import response_tail, seat_energies
from ..decay.response import EnergyResponse
from ..errors import suggestion
from .registry import METRICS, Metric, MetricInput
from .replicated import Replicated

CHUNK_BYTES = 8_000_000
"""Energies of the seats that are worked on together: small enough to stay near the processor."""


def evaluate(
    response: EnergyResponse,
    noise: np.ndarray,
    source_power: np.ndarray | None = None,
    metrics: Iterable[str] | None = None,
    threads: int = 1,
) -> dict[str, Replicated]:
    """All figures of all seats.

    Parameters
    ----------
    response : EnergyResponse
        With two replicates or more.
    noise : (n_scenarios, 8) float, dB
        Noise at the seats; minus infinity for none.
    source_power : (n_scenarios, 8) float, dB re 1 pW, optional
        Of all sources together, with a characteristic impedance of 400 Pa s/m. Without it the sound strength
        is left out.
    metrics : names from `registry.METRICS`, optional
        All unless said.
    threads : int
        Seats are shared out among them; they change no figure.

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
        raise ValueError("two replicates at least: without them there is no standard error")
    figures = _figures(response, noise, source_power, metrics, response.n_replicates + 1, threads)
    return {name: Replicated(figure[0], figure[1:]) for name, figure in figures.items()}


def evaluate_whole(
    response: EnergyResponse,
    noise: np.ndarray,
    source_power: np.ndarray | None = None,
    metrics: Iterable[str] | None = None,
) -> dict[str, np.ndarray]:
    """All figures of all seats from all replicates together, without errors; one replicate is enough.

    Parameters as in `evaluate`; returns (n_receivers, n_scenarios) or (n_receivers, n_scenarios, 8) arrays by
    name. The bias that rays leave in some figures is still in them: use them for differences on the same
    paths.
    """
    return {name: figure[0] for name, figure in _figures(response, noise, source_power, metrics, 1).items()}


def _figures(
    response: EnergyResponse,
    noise: np.ndarray,
    source_power: np.ndarray | None,
    metrics: Iterable[str] | None,
    n_sums: int,
    threads: int = 1,
) -> dict[str, np.ndarray]:
    """(n_sums, n_receivers, ...) by name: from all replicates, then with one after the other left out."""
    chosen = _chosen(metrics, source_power is not None)
    noise = _fitting("noise", noise, response)
    if source_power is not None:
        source_power = _fitting("source_power", source_power, response)
    tail = response_tail(response)
    shape = (n_sums, response.n_receivers, response.n_scenarios)
    figures = {metric.name: np.empty((*shape, 8) if metric.per_band else shape) for metric in chosen}
    step = max(1, CHUNK_BYTES // max(1, 8 * response.early[:1].size))

    def fill(start: int) -> None:
        receivers = slice(start, start + step)
        for i, seats in enumerate(islice(seat_energies(response, tail, receivers), n_sums)):
            given = MetricInput(seats, noise, source_power)
            for metric in chosen:
                figures[metric.name][i, receivers] = metric.function(given)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(fill, range(0, response.n_receivers, step)))
    return figures


def _chosen(names: Iterable[str] | None, has_power: bool) -> list[Metric]:
    if names is None:
        return [metric for metric in METRICS.values() if has_power or not metric.needs_power]
    chosen = []
    for name in names:
        if name not in METRICS:
            raise ValueError(f"no metric {name!r}. {suggestion(name, METRICS)}")
        chosen.append(METRICS[name])
    return chosen


def _fitting(name: str, levels: np.ndarray, response: EnergyResponse) -> np.ndarray:
    levels = np.asarray(levels, dtype=float)
    if levels.shape != (response.n_scenarios, 8):
        raise ValueError(
            f"{name} has shape {levels.shape}, but the response asks for {response.n_scenarios, 8}"
        )
    return levels
