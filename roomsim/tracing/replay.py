"""From recorded paths to energy over time, for any scenario of the scene."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from ..bands import N_BANDS
from ..scene.scene import Scene, SourceArrays
from ._memory import zeros
from ._replay import TICK, replay_batch, weight_sums
from .paths import PathLog, SamplingPlan
from .plan import ROULETTE_BELOW, split_of_events

Selection = slice | Sequence[int] | np.ndarray
"""Of scenarios."""


def time_bins(duration: float) -> np.ndarray:
    """Edges (n_bins + 1,) s of the time bins up to at least `duration`.

    Fine where clarity is decided and the modulation transfer asks for it, coarser in the tail, where the energy
    changes little within a bin: 5 ms to 100 ms, 10 ms to 300 ms, 25 ms to 1 s, 50 ms to 2 s, 100 ms to 4 s,
    then 200 ms.
    """
    edges = [0.0]
    for step, end in ((0.005, 0.1), (0.01, 0.3), (0.025, 1.0), (0.05, 2.0), (0.1, 4.0), (0.2, np.inf)):
        while edges[-1] < min(end, duration) - 1e-9:
            edges.append(edges[-1] + step)
    # Whole ticks, free of accumulated rounding.
    return np.round(np.array(edges) / 0.005) * 0.005


def bins_of_ticks(edges: np.ndarray) -> np.ndarray:
    """(n_ticks,) int32: the bin of each 5 ms tick."""
    counts = np.round(np.diff(edges) / float(TICK)).astype(int)
    return np.repeat(np.arange(len(counts)), counts).astype(np.int32)


def time_zero(scene: Scene) -> np.ndarray:
    """(n_receivers, n_scenarios) s: earliest direct arrival over the sources that are on, delays included."""
    distance = np.linalg.norm(scene.receivers.position[:, None] - scene.sources.position[None], axis=2)
    arrival = distance / scene.speed_of_sound + scene.sources.delay
    on = scene.sources.active > 0
    return np.where(on[None], arrival[:, :, None], np.inf).min(axis=1)


def source_gain(sources: SourceArrays, source: int) -> np.ndarray:
    """(n_scenarios, 8) squared pressure at 1 m on axis, re (20 uPa)^2."""
    return sources.active[source][:, None] * 10.0 ** (sources.level[source] / 10.0)


class Replay:
    """Weighs paths for one block of scenarios and receivers.

    All scenarios of a block share one time zero; `blocks` of the study see to that.
    """

    def __init__(
        self, scene: Scene, plan: SamplingPlan, edges: np.ndarray, scenarios: Selection, receivers: slice
    ):
        self._scene = scene
        self._scenarios = np.arange(scene.n_scenarios)[scenarios]
        self._receivers = range(scene.receivers.n_receivers)[receivers]
        self._bin_of_tick = bins_of_ticks(edges)
        self._n_bins = len(edges) - 1
        chosen = scene.factors[:, :, scenarios]
        self._table = np.ascontiguousarray(chosen.reshape(-1, chosen.shape[2] * N_BANDS), dtype=np.float32)
        self._share = plan.share.astype(np.float32)
        self._probability = np.ascontiguousarray(
            plan.probability.reshape(plan.n_components, -1), dtype=np.float32
        )
        self._staying, self._keeping = np.repeat(plan.staying, 3), np.repeat(plan.keeping, 3)
        zero = time_zero(scene)[receivers, scenarios]
        if not np.allclose(zero, zero[:, :1], rtol=0, atol=1e-9):
            raise ValueError("the scenarios of a block must share their time zero")
        self._time_zero = np.ascontiguousarray(zero[:, 0], dtype=np.float32)
        longest = int(np.ceil((edges[-1] + zero.max()) * scene.speed_of_sound)) + 3
        self._air = np.exp(-np.arange(longest)[:, None] * scene.air_attenuation).astype(np.float32)

    def _add(self, late: np.ndarray, log: PathLog, scale: float) -> None:
        sources = self._scene.sources
        gain = source_gain(sources, log.source)[self._scenarios]
        if not gain.any():
            return
        replay_batch(
            late, self._table, self._probability, self._share, self._staying, self._keeping, ROULETTE_BELOW,
            gain.reshape(-1).astype(np.float32), np.float32(scale), self._air,
            np.float32(sources.delay[log.source]), np.float32(self._scene.speed_of_sound), self._time_zero,
            self._bin_of_tick, np.int64(self._receivers.start),
            log.ray_end, log.component, log.emission, log.event, log.n_deposits, log.receiver, log.path_length,
            log.chord,
        )  # fmt: skip

    def late(
        self,
        n_replicates: int,
        n_batches: int,
        logs: Callable[[int], Iterable[PathLog]],
        threads: int = 1,
        tell: Callable[[], None] = lambda: None,
    ) -> np.ndarray:
        """Traced energy (n_replicates, n_receivers, n_bins, n_scenarios, 8) float32.

        `logs(replicate)` gives the logs of a replicate: `n_batches` of each source, in a fixed order, so that sums
        repeat bit for bit. Replicates are shared out among `threads`; `tell` is called after each.
        """
        shape = (n_replicates, len(self._receivers), self._n_bins, len(self._scenarios) * N_BANDS)
        late = zeros(shape, np.float32)

        def fill(replicate: int) -> None:
            for log in logs(replicate):
                self._add(late[replicate], log, 1.0 / n_batches)

        with ThreadPoolExecutor(threads) as pool:
            for _ in pool.map(fill, range(n_replicates)):
                tell()
        return late.reshape(*shape[:3], len(self._scenarios), N_BANDS)


def effective_share(
    scene: Scene, plan: SamplingPlan, logs: Iterable[PathLog], scenarios: Sequence[int] | np.ndarray
) -> np.ndarray:
    """(n_scenarios, 8) share of the rays that count for each of some scenarios and bands.

    Kish's effective sample size over the number of rays, (sum w)^2 / (n sum w^2), with the weights of the paths down
    to -10 dB: Kish, Survey Sampling (1965), section 11.7 (from memory). 1 is a trace made for that scenario and band
    alone.
    """
    wishes = split_of_events(scene, scenarios)
    wish = np.ascontiguousarray(wishes.reshape(wishes.shape[0] * 3, -1), dtype=np.float32)
    probability = np.ascontiguousarray(plan.probability.reshape(plan.n_components, -1), dtype=np.float32)
    total, squares, n_rays = np.zeros(wish.shape[1]), np.zeros(wish.shape[1]), 0
    for log in logs:
        weight_sums(
            wish, probability, plan.share.astype(np.float32), np.repeat(plan.staying, 3), 0.1, log.ray_end,
            log.component, log.event, total, squares,
        )  # fmt: skip
        n_rays += log.n_rays
    with np.errstate(invalid="ignore"):
        return (total**2 / (n_rays * squares)).reshape(len(scenarios), N_BANDS)
