"""From recorded paths to energy over time, for any scenario of the scene."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from ..bands import N_BANDS
from ..scene.scene import Scene, SourceArrays
from ._memory import on_lines, zeros
from ._plain import PAIR
from ._replay import TICK, Factors, Paths, Seats, new_scratch, replay_batch
from .emission import radiated
from .paths import PathLog, SamplingPlan

Selection = slice | Sequence[int] | np.ndarray
"""Of scenarios."""


def time_bins(duration: float) -> np.ndarray:
    """Edges (n_bins + 1,) s of the time bins up to at least `duration`.

    Fine early, where clarity and modulation transfer depend on them, and coarser in the tail, where the energy changes
    little within a bin: 5 ms to 0.1 s, 10 ms to 0.3 s, 25 ms to 0.6 s, 50 ms to 1.2 s, 100 ms to 2.4 s, 200 ms
    to 4.8 s, then 400 ms.
    """
    edges = [0.0]
    for step, end in ((0.005, 0.1), (0.01, 0.3), (0.025, 0.6), (0.05, 1.2), (0.1, 2.4), (0.2, 4.8), (0.4, np.inf)):
        while edges[-1] < min(end, duration) - 1e-9:
            edges.append(edges[-1] + step)
    # Whole ticks, free of accumulated rounding.
    return np.round(np.array(edges) / 0.005) * 0.005


def bins_of_ticks(edges: np.ndarray) -> np.ndarray:
    """(n_ticks,) int32: the bin of each 5 ms tick."""
    counts = np.round(np.diff(edges) / float(TICK)).astype(int)
    return np.repeat(np.arange(len(counts)), counts).astype(np.int32)


RELEVANT_RANGE = 40.0
"""dB below the strongest free-field level at a seat within which a source is taken into account: 20 dB more than the
range of time zero (`decay.time_zero`), for sources that radiate that much less towards the seat than on average."""


def earliest_arrival(scene: Scene, scenario: int, receivers: slice = slice(None)) -> np.ndarray:
    """(n_receivers, 8) s after emission, the start of the bins of a response.

    Shortest straight line, whether obstructed or not, from any active source that is relevant in the band: no sound
    of relevance can arrive earlier. It depends on the active sources only, not on any surface. 0 without a source.
    """
    sources = scene.sources
    on = np.flatnonzero(sources.active[:, scenario] > 0)
    position = scene.receivers.position[receivers]
    if not len(on):
        return np.zeros((len(position), N_BANDS))
    distance = np.linalg.norm(position[:, None] - sources.position[on], axis=2)
    power = np.array([10.0 ** (sources.level[i] / 10.0) * radiated(sources, int(i)) for i in on])
    level = power / np.maximum(distance, 0.1)[..., None] ** 2
    # In a band in which no source radiates, all are taken into account.
    is_relevant = level >= level.max(axis=1, keepdims=True) * 10.0 ** (-RELEVANT_RANGE / 10.0)
    arrival = distance / scene.speed_of_sound + sources.delay[on]
    return np.where(is_relevant, arrival[..., None], np.inf).min(axis=1)


def source_gain(sources: SourceArrays, source: int) -> np.ndarray:
    """(n_scenarios, 8) squared pressure at 1 m on axis, re (20 uPa)^2."""
    return sources.active[source][:, None] * 10.0 ** (sources.level[source] / 10.0)


class EnergyBuffer:
    """Memory for energies, reused from one replay to the next: allocating it can take as long as filling it."""

    def __init__(self) -> None:
        self._numbers = zeros((0,), np.float32)

    def shaped(self, shape: tuple[int, ...]) -> np.ndarray:
        """Array of this shape, float32, with arbitrary contents."""
        n = math.prod(shape)
        if len(self._numbers) < n:
            self._numbers = zeros((0,), np.float32)  # freed first
            self._numbers = zeros((n,), np.float32)
        return self._numbers[:n].reshape(shape)


class Replay:
    """Weights paths for one block of scenarios and receivers.

    All scenarios of a block must have the same active sources, so that their bins start together.
    """

    def __init__(
        self, scene: Scene, plan: SamplingPlan, edges: np.ndarray, scenarios: Selection, receivers: slice
    ):
        self._sources = scene.sources
        self._scenarios = np.arange(scene.n_scenarios)[scenarios]
        self._receivers = range(scene.receivers.n_receivers)[receivers]
        chosen = scene.factors[:, :, scenarios]
        factors = _in_pairs(chosen.reshape(-1, chosen.shape[2] * N_BANDS))
        self._row = factors.shape[1]
        is_absorbed = (factors.reshape(len(factors), -1, PAIR) == 0.0).all(axis=2)
        self._factors = Factors(
            table=_with_ones(factors), is_absorbed=is_absorbed, has_absorbed=is_absorbed.any(axis=1),
            is_sheet=np.repeat(plan.sheet >= 0, 3),
            probability=np.ascontiguousarray(plan.probability.reshape(plan.n_components, -1), dtype=np.float32),
            component_share=plan.share.astype(np.float32), initial_density=plan.initial_density,
            density_kept=_with_ones(np.repeat(plan.density_kept, 3, axis=0)),
        )  # fmt: skip
        active = scene.sources.active[:, scenarios]
        if (active != active[:, :1]).any():
            raise ValueError("the scenarios of a block must have the same active sources")
        start = earliest_arrival(scene, self._scenarios[0], receivers).astype(np.float32)
        longest = int(np.ceil((edges[-1] + start.max()) * scene.speed_of_sound)) + 3
        self._seats = Seats(
            first=self._receivers.start, start=start, starts_together=(start == start[:, :1]).all(axis=1),
            bin_of_tick=bins_of_ticks(edges), n_bins=len(edges) - 1,
            air=np.exp(-np.arange(longest)[:, None] * scene.air_attenuation).astype(np.float32),
            speed_of_sound=np.float32(scene.speed_of_sound),
        )  # fmt: skip

    def late(
        self,
        n_replicates: int,
        n_batches: int,
        logs: Callable[[int], Iterable[PathLog]],
        threads: int = 1,
        on_replicate: Callable[[], None] = lambda: None,
        buffer: EnergyBuffer | None = None,
    ) -> np.ndarray:
        """Traced energy (n_replicates, n_receivers, n_bins, n_scenarios, 8) float32.

        `logs(replicate)` gives the logs of a replicate: `n_batches` of each source, in a fixed order, so that sums
        repeat bit for bit. Replicates are distributed over `threads`; `on_replicate` is called after each. With a
        `buffer` the result is a view of it and is overwritten by the next replay.
        """
        shape = (n_replicates, len(self._receivers), self._seats.n_bins, self._row)
        late, sources = (buffer or EnergyBuffer()).shaped(shape), self._sources

        def fill(replicate: int) -> None:
            is_begun = np.zeros(shape[1] * shape[2], bool)
            scratch = new_scratch(shape[3] // PAIR, len(self._factors.component_share))
            for log in logs(replicate):
                gain = source_gain(sources, log.source)[self._scenarios]
                if not gain.any():
                    continue
                paths = Paths(
                    _in_pairs(gain.reshape(1, -1)).reshape(-1).astype(np.float32), np.float32(1.0 / n_batches),
                    np.float32(sources.delay[log.source]), log.ray_end, log.component, log.emission, log.event,
                    log.n_deposits, log.share, log.receiver, log.path_length, log.chord,
                )  # fmt: skip
                replay_batch(late[replicate].reshape(-1), is_begun, paths, self._factors, self._seats, scratch)
            late[replicate].reshape(len(is_begun), -1)[~is_begun] = 0.0

        with ThreadPoolExecutor(threads) as pool:
            for _ in pool.map(fill, range(n_replicates)):
                on_replicate()
        return late.reshape(*shape[:3], -1, N_BANDS)[..., : len(self._scenarios), :]


def _with_ones(rows: np.ndarray) -> np.ndarray:
    """(n, m) rows and one of ones, flat, in single precision, at the start of a line of the cache."""
    return on_lines(np.concatenate([rows, np.ones((1, rows.shape[1]))]).astype(np.float32).reshape(-1))


def _in_pairs(rows: np.ndarray) -> np.ndarray:
    """(n, n_scenarios * 8), padded with a scenario of zeros if their number is odd."""
    missing = -rows.shape[1] % PAIR
    return np.pad(rows, ((0, 0), (0, missing))) if missing else rows
