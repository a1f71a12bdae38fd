"""Figures of all seats and scenarios from traced paths, evaluated in blocks that fit into memory."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from ..bands import N_BANDS
from ..decay.response import MODULATION_FREQUENCIES, Arrivals, EnergyResponse
from ..decay.slopes import TwoSlopes, two_slopes_of_all_seats
from ..decay.time_zero import time_zero
from ..metrics.evaluate import evaluate, evaluate_whole
from ..metrics.replicated import Replicated
from ..physics.levels import level
from ..scene.scene import Scene
from ..tracing.emission import source_power
from ..tracing.images import sum_image_paths
from ..tracing.late_energy_origin import LateEnergy, late_by_last_surface
from ..tracing.paths import PathLog
from ..tracing.replay import EnergyBuffer, Replay, earliest_arrival
from .progress import Progress
from .traced_paths import TracedPaths, is_playing, playing_sources

BLOCK_BYTES = 1_250_000_000
"""Bytes of traced energies held in memory at a time."""
MOST_SCENARIOS = 64
"""The most scenarios weighted together: reading the paths takes as long as weighting some ten scenarios."""
FEWEST_SCENARIOS = 16
"""The fewest scenarios that are worth weighting together, and the number evaluated at once: their sums remain in the
processor's cache."""
SUMS_AT_A_TIME = 4
"""Sums over all replicates that together may take as much memory as the replicates of one block."""

Block = tuple[np.ndarray, slice]
"""Scenarios and receivers."""
Logs = Callable[[int], Iterable[PathLog]]
"""The paths of a replicate."""


class Evaluator:
    """Evaluates traced paths for the scenarios of a scene, which all share all paths.

    Figures depend only on the paths and the scene, not on threads or blocks.

    Parameters
    ----------
    paths : TracedPaths
    scene : Scene, optional
        With the same surfaces, seats and sources as the scene that was traced, and any number of scenarios; by default
        the scene that was traced.
    progress : Progress, optional
    memory : EnergyBuffer, optional
        Memory for energies, which several evaluators may use one after another.

    Raises
    ------
    ValueError : an event is possible in the scene for which no paths were traced
    """

    def __init__(
        self,
        paths: TracedPaths,
        scene: Scene | None = None,
        progress: Progress | None = None,
        memory: EnergyBuffer | None = None,
    ):
        setup = paths.setup
        self.paths, self.scene = paths, setup.scene if scene is None else scene
        self.progress, self.memory = progress or Progress(), memory or EnergyBuffer()
        self.plan, self.edges, self.threads = setup.plan, setup.edges, setup.threads
        self.n_replicates = setup.n_replicates
        possible, factors = self.plan.possible, self.scene.factors
        if factors.shape[:2] != possible.shape or (factors[~possible] > 0.0).any():
            raise ValueError("these scenarios need events that the paths were not traced for")
        self._source_power = _source_power(self.scene)

    def with_scenarios(self, scene: Scene, progress: Progress | None = None) -> Evaluator:
        """The same paths evaluated for other scenarios, by default with the same progress."""
        return Evaluator(self.paths, scene, progress or self.progress, self.memory)

    # --- figures ----------------------------------------------------------------------------------------

    def evaluate(
        self, metrics: list[str] | None = None, stage: str = "Computing figures"
    ) -> dict[str, Replicated]:
        """All figures (or those named) of all seats and scenarios, (n_receivers, n_scenarios, ...).

        `stage` names this step in the progress.
        """
        shape = (self.scene.receivers.n_receivers, self.scene.n_scenarios)
        whole: dict[str, Replicated] = {}
        blocks = evaluation_blocks(self.scene, len(self.edges) - 1, self.n_replicates)
        # Weighting the paths takes about as long as evaluating the energies.
        self.progress.start(stage, 2 * self.n_replicates * len(blocks))
        for block, receivers in blocks:
            for scenarios, late in _few_at_a_time(block, self._late(block, receivers)):
                response, logs = self._with_early(late, scenarios, receivers), self._logs_of(scenarios)
                noise_energy = self._noise_energy(scenarios, receivers, self.n_replicates, self.paths.n_rounds, logs)
                levels = (self.scene.noise[scenarios], self._source_power[scenarios])
                part = evaluate(response, *levels, metrics, self.threads, noise_energy)
                for name, figure in part.items():
                    if name not in whole:
                        whole_shape = (*shape, *figure.full.shape[2:])
                        left_out = np.empty((self.n_replicates, *whole_shape), np.float32)
                        whole[name] = Replicated(np.empty(whole_shape), left_out)
                    whole[name].full[receivers, scenarios] = figure.full
                    whole[name].left_out[:, receivers, scenarios] = figure.left_out
            self.progress.advance(self.n_replicates)
        return whole

    def whole_figures(
        self, metrics: list[str], n_batches: int, advance: Callable[[], None] = lambda: None
    ) -> dict[str, np.ndarray]:
        """Figures of all seats and scenarios from the first batches of each source, in one sum, without errors.

        For differences on the same paths, in which the Monte Carlo error cancels. Axes as in `evaluate`. `advance` is
        called after each block.
        """
        n_batches = min(n_batches, self.paths.n_batches)
        shape = (self.scene.receivers.n_receivers, self.scene.n_scenarios)
        whole: dict[str, np.ndarray] = {}
        of_thread = threading.local()

        def fill(block: Block) -> None:
            scenarios, receivers = block

            def logs(_: int) -> Iterator[PathLog]:
                return self.paths.logs(range(n_batches), playing_sources(self.scene, scenarios))

            replay = Replay(self.scene, self.plan, self.edges, scenarios, receivers)
            memory = of_thread.__dict__.setdefault("memory", EnergyBuffer())
            late = replay.late(1, n_batches, logs, buffer=memory)
            for some, late_of_some in _few_at_a_time(scenarios, late):
                response = self._with_early(late_of_some, some, receivers)
                noise_energy = self._noise_energy(some, receivers, 1, n_batches, logs)
                levels = (self.scene.noise[some], self._source_power[some])
                part = evaluate_whole(response, *levels, metrics, noise_energy)
                for name, figure in part.items():
                    whole.setdefault(name, np.empty((*shape, *figure.shape[2:])))
                    whole[name][receivers, some] = figure

        with ThreadPoolExecutor(min(self.threads, self.n_replicates)) as pool:
            for _ in pool.map(fill, evaluation_blocks(self.scene, len(self.edges) - 1, SUMS_AT_A_TIME)):
                advance()
        return whole

    # --- energies ---------------------------------------------------------------------------------------

    def response(self, scenarios: np.ndarray, receivers: slice) -> EnergyResponse:
        """Energy response of one block; the next call overwrites it."""
        return self._with_early(self._late(scenarios, receivers), scenarios, receivers)

    def late_energy(self, scenario: int, after: float) -> LateEnergy:
        """Energy of one scenario later than `after`, s after time zero, by the surface that reflected it last."""
        chosen, all_seats = np.array([scenario]), slice(0, self.scene.receivers.n_receivers)
        zero = time_zero(self.response(chosen, all_seats))[:, 0]
        return late_by_last_surface(
            self.scene, self.plan, self.edges, self.paths.image_paths, scenario,
            earliest_arrival(self.scene, scenario), zero + after, self._logs_of(chosen), self.n_replicates,
            self.paths.n_rounds, self.threads,
        )  # fmt: skip

    def two_slopes(self, scenario: int, band: int) -> TwoSlopes | None:
        """The two decays of one scenario and band, all seats together; None where two cannot be distinguished."""
        response = self.response(np.array([scenario]), slice(0, self.scene.receivers.n_receivers))
        return two_slopes_of_all_seats(response, band)

    def _late(self, scenarios: np.ndarray, receivers: slice) -> np.ndarray:
        replay = Replay(self.scene, self.plan, self.edges, scenarios, receivers)
        logs = self._logs_of(scenarios)
        return replay.late(
            self.n_replicates, self.paths.n_rounds, logs, self.threads, self.progress.advance, self.memory
        )

    def _logs_of(self, scenarios: np.ndarray) -> Logs:
        # No other sources need to be read.
        sources, n_batches = playing_sources(self.scene, scenarios), self.paths.n_batches
        return lambda replicate: self.paths.logs(range(replicate, n_batches, self.n_replicates), sources)

    def _with_early(self, late: np.ndarray, scenarios: np.ndarray, receivers: slice) -> EnergyResponse:
        sums = sum_image_paths(
            self.scene, self.paths.image_paths, self.edges, MODULATION_FREQUENCIES, scenarios, receivers
        )
        arrivals = Arrivals(sums.first, sums.time, sums.energy)
        return EnergyResponse(self.edges, late, arrivals, sums.direct, sums.modulation)

    def _noise_energy(
        self, scenarios: np.ndarray, receivers: slice, n_replicates: int, n_batches: int, logs: Logs
    ) -> np.ndarray | None:
        """(n_replicates, n_receivers, n_scenarios, 8), (re 20 uPa)^2: all sound of the noise sources of one block.

        They are traced like other sources, but only their total energy is used. `logs` and `n_batches` are those of
        `Replay.late`. None where no noise source is on.
        """
        active = self.scene.sources.noise_active
        if active is None or not active[:, scenarios].any():
            return None
        # Only the noise sources, treated as programme.
        scene = replace(self.scene, sources=replace(self.scene.sources, active=active))
        whole, no_modulation = self.edges[[0, -1]], MODULATION_FREQUENCIES[:0]
        replay = Replay(scene, self.plan, whole, scenarios, receivers)
        late = replay.late(n_replicates, n_batches, logs, self.threads)
        sums = sum_image_paths(scene, self.paths.image_paths, whole, no_modulation, scenarios, receivers)
        return late[:, :, 0] + sums.total


def evaluation_blocks(scene: Scene, n_bins: int, n_replicates: int) -> list[Block]:
    """Scenarios and receivers that are evaluated together: with the same sources on, and few enough to fit into memory.

    `n_replicates` is the number that a block holds in memory, or `SUMS_AT_A_TIME` for sums over all replicates, so that
    several threads can process one block each.
    """
    n_receivers = scene.receivers.n_receivers
    one = n_replicates * n_bins * N_BANDS * 4
    alike: dict[bytes, list[int]] = {}
    for i, on in enumerate(is_playing(scene).T):
        alike.setdefault(on.tobytes(), []).append(i)
    blocks = []
    for scenarios in alike.values():
        # Blocks have fewer scenarios rather than fewer seats, as long as enough are left to be worth reading the paths.
        most = int(np.clip(BLOCK_BYTES // (one * n_receivers), FEWEST_SCENARIOS, MOST_SCENARIOS))
        for run in np.array_split(scenarios, math.ceil(len(scenarios) / most)):
            step = max(1, min(n_receivers, int(BLOCK_BYTES / (one * len(run)))))
            blocks += [(run, slice(r, min(r + step, n_receivers))) for r in range(0, n_receivers, step)]
    return blocks


def _source_power(scene: Scene) -> np.ndarray:
    """(n_scenarios, 8) dB re 1 pW of all sources that are on, with 400 Pa s/m."""
    return level(np.einsum("ik,ib->kb", scene.sources.active, source_power(scene.sources)))


def _few_at_a_time(scenarios: np.ndarray, late: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Parts of the scenarios, each with its energies."""
    for some in np.array_split(np.arange(len(scenarios)), math.ceil(len(scenarios) / FEWEST_SCENARIOS)):
        yield scenarios[some], late[..., some[0] : some[-1] + 1, :]
