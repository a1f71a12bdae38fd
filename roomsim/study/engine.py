"""Tracing to a precision, and evaluating in blocks that fit into memory."""

from __future__ import annotations

import copy
import math
import os
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..bands import N_BANDS
from ..decay.response import MODULATION_FREQUENCIES, Arrivals, EnergyResponse
from ..decay.time_zero import time_zero
from ..errors import SceneError
from ..metrics.evaluate import evaluate, evaluate_whole
from ..metrics.replicated import Replicated
from ..scene.scene import Scene
from ..tracing.blame import LateEnergy, late_by_last_surface
from ..tracing.emission import radiated
from ..tracing.images import ImagePaths, find_image_paths, sum_image_paths
from ..tracing.paths import PathLog
from ..tracing.plan import sampling_plan
from ..tracing.replay import Replay, Room, earliest_arrival, time_bins
from ..tracing.trace import Tracer
from ..venue.document import Precision
from .duration import followed_for
from .needs import bytes_text, free_disk, needs_of, refuse_what_cannot_fit, seconds_text
from .progress import NoProgress, Progress
from .store import LogLimits, Part, PathStore, StudyStore, digest

N_REPLICATES = 20
RAYS_PER_BATCH = 4096
"""Per source. A batch is one file: small enough to try things out, large enough that files stay few."""
BLOCK_BYTES = 1_250_000_000
"""Of traced energies held at a time."""
MOST_SCENARIOS = 64
"""Weighed side by side: reading the paths costs as much as weighing some ten."""
FEWEST_SCENARIOS = 16
"""That it pays to weigh side by side, and as many as are evaluated at once: their sums stay near the processor."""
SUMS_AT_A_TIME = 4
"""That may hold as much memory as the replicates of one block."""
ENGINE_VERSION = 3
"""Raised whenever the same seed gives other paths: paths kept by an older engine are then traced again."""

Logs = Callable[[int], Iterable[PathLog]]
"""The paths of a replicate."""


@dataclass(frozen=True)
class Precise:
    """How far a run came."""

    standard_error: float
    """Of the speech transmission index, at the seat that is the last of the wanted share, worst scenario."""
    is_met: bool
    missed: dict[str, tuple[float, float]]
    """Quantities whose precision was not reached: registry name -> standard error reached, and wanted."""
    n_rounds: int
    n_rays: int
    n_lost: int
    lost_energy: float
    """Share of the emitted energy that left through gaps in the mesh."""


class Engine:
    """One scene, its sampling plan, its paths so far and what follows from them.

    Batch b of a source belongs to replicate b mod `N_REPLICATES`; rounds of `N_REPLICATES` batches a source are
    added until the precision is met. All scenarios share all paths. What is computed depends on the seed and the
    number of rounds alone, never on threads, blocks or interruptions.

    Parameters
    ----------
    scene : Scene
    seed, image_order : int
    store : StudyStore, optional
        Where batches are kept; without one they are held in memory.
    threads : int, optional
        All cores unless said.
    """

    def __init__(
        self, scene: Scene, seed: int, image_order: int, store: StudyStore | None = None,
        threads: int | None = None, progress: Progress | None = None,
    ):  # fmt: skip
        self.scene, self.seed, self.image_order = scene, seed, image_order
        self.threads, self.n_replicates = threads or os.cpu_count() or 1, N_REPLICATES
        self.disk = None if store is None else store.folder
        self.progress = progress or NoProgress()
        self.n_rounds = 0
        self._n_lost, self._lost_energy = 0, 0.0
        # A source that sounds in no scenario costs nothing.
        self.traced = self._heard(np.arange(scene.n_scenarios))
        self.plan = sampling_plan(scene)
        self.edges = time_bins(followed_for(scene, self.plan, seed))
        self.tracer = Tracer(scene, self.plan, seed, image_order, float(self.edges[-1]))
        self._store = None if store is None else self._path_store(store)
        self._memory: dict[tuple[int, int], PathLog] = {}
        self._room = Room()

    def describe(self) -> str:
        """How scenarios share paths, in a sentence: what the plan of sampling is."""
        n_states = int(np.count_nonzero(self.plan.state_at_start)) - 1
        branching = (
            f" Paths branch at free-hanging cloth, for {n_states} states of it (what hangs, by band)."
            if n_states > 1
            else ""
        )
        return (
            f"All {self.scene.n_scenarios} scenarios share one set of paths. The scenario and band whose scattering is "
            f"least like the others' needs some {self.plan.loss:.1f} times the rays of a trace of its own.{branching}"
        )

    def _path_store(self, store: StudyStore) -> PathStore:
        scene, surfaces, plan = self.scene, self.scene.surfaces, self.plan
        parts: dict[str, Part] = {
            "engine": ENGINE_VERSION, "seed": self.seed, "image_order": self.image_order, "rays": RAYS_PER_BATCH,
            "origin": surfaces.origin, "edge_u": surfaces.edge_u, "edge_v": surfaces.edge_v,
            "is_triangle": surfaces.is_triangle, "patch": surfaces.patch, "mirror": surfaces.mirror,
            "plan": plan.probability, "shares": plan.share,
            "sheets": plan.sheet, "wish": plan.wish, "states": plan.state_at_start,
            "receivers": scene.receivers.position, "radius": scene.receivers.radius,
            "sources": scene.sources.position, "axes": scene.sources.axes, "balloon": scene.sources.balloon,
            "speed": scene.speed_of_sound, "duration": float(self.edges[-1]),
            "density": plan.density_at_start, "density_kept": plan.density_kept,
        }  # fmt: skip
        limits = LogLimits(plan.sheet, scene.receivers.n_receivers, plan.n_components)
        return store.paths(digest(parts), limits)

    # --- paths ------------------------------------------------------------------------------------------

    @property
    def n_rays(self) -> int:
        return self.n_rounds * self._batches_a_round * RAYS_PER_BATCH

    @property
    def _batches_a_round(self) -> int:
        return N_REPLICATES * len(self.traced)

    def log(self, source: int, batch: int) -> PathLog:
        """A batch: from the store if it is there and sound, else traced (and kept)."""
        if self._store is None:
            if (source, batch) not in self._memory:
                self._memory[source, batch] = self.tracer.trace(source, batch, RAYS_PER_BATCH)
            return self._memory[source, batch]
        log = self._store.read(source, batch)
        if log is None:
            log = self.tracer.trace(source, batch, RAYS_PER_BATCH)
            self._store.write(log)
        return log

    def _logs(self, batches: Iterable[int], sources: Sequence[int]) -> Iterator[PathLog]:
        """Some batches of each source, always in the same order."""
        return (self.log(source, batch) for batch in batches for source in sources)

    @cached_property
    def image_paths(self) -> tuple[ImagePaths, ...]:
        """Direct sound and early specular reflections; longest path within the time followed."""
        # No response starts later than sound takes from the source that is farthest away.
        sources, seats = self.scene.sources, self.scene.receivers
        farthest = np.linalg.norm(seats.position[:, None] - sources.position, axis=2).max()
        latest = farthest / self.scene.speed_of_sound + sources.delay.max()
        longest = (self.edges[-1] + latest) * self.scene.speed_of_sound
        return find_image_paths(
            self.scene, self.image_order, longest, self.threads, self.tracer.geometry, self.traced
        )

    def add_rounds(self, n: int, deadline: float = math.inf) -> None:
        """Trace `n` more rounds, fewer if the clock (time.monotonic) passes `deadline`; whole rounds only."""
        for _ in range(n):
            self._trace(self.n_rounds)
            self.n_rounds += 1
            if time.monotonic() > deadline:
                return

    def _trace(self, round_number: int) -> None:
        """Have one round at hand, and count what it lost."""
        batches = range(round_number * N_REPLICATES, (round_number + 1) * N_REPLICATES)
        work = [(source, batch) for batch in batches for source in self.traced]
        pool = ThreadPoolExecutor(self.threads)
        try:
            # The store is the memory: logs are read again, batch by batch, when they are weighed.
            for log in pool.map(lambda address: self.log(*address), work):
                self._n_lost += log.n_lost
                self._lost_energy += log.lost_energy
                self.progress.advance()
        finally:
            # Interrupted: the batches in flight are finished and kept, the others are left.
            pool.shutdown(cancel_futures=True)

    # --- evaluation -------------------------------------------------------------------------------------

    def blocks(self, n_replicates: int = N_REPLICATES) -> list[tuple[np.ndarray, slice]]:
        """(scenarios, receivers) that are worked out together: same sources on, few enough to fit."""
        playing = [self.scene.sources.active, *self._noise_active]
        n_receivers, n_bins = self.scene.receivers.n_receivers, len(self.edges) - 1
        one = n_replicates * n_bins * N_BANDS * 4
        alike: dict[tuple[int, ...], list[int]] = {}
        for i, on in enumerate((np.concatenate(playing) > 0).T):
            alike.setdefault(tuple(on), []).append(i)
        blocks = []
        for scenarios in alike.values():
            # Fewer scenarios rather than fewer seats, as long as there are enough to pay for reading the paths.
            most = int(np.clip(BLOCK_BYTES // (one * n_receivers), FEWEST_SCENARIOS, MOST_SCENARIOS))
            for run in np.array_split(scenarios, math.ceil(len(scenarios) / most)):
                step = max(1, min(n_receivers, int(BLOCK_BYTES / (one * len(run)))))
                blocks += [(run, slice(r, min(r + step, n_receivers))) for r in range(0, n_receivers, step)]
        return blocks

    def blocks_of_sums(self) -> list[tuple[np.ndarray, slice]]:
        """The same for sums over all replicates: larger, but so that several threads can have one each."""
        return self.blocks(SUMS_AT_A_TIME)

    def response(self, scenarios: np.ndarray, receivers: slice) -> EnergyResponse:
        """Energy response of one block; it holds until the next one is asked for, and is overwritten then."""
        return self._with_early(self._late(scenarios, receivers), scenarios, receivers)

    def _late(self, scenarios: np.ndarray, receivers: slice) -> np.ndarray:
        replay = Replay(self.scene, self.plan, self.edges, scenarios, receivers)
        return replay.late(
            N_REPLICATES, self.n_rounds, self._logs_of(scenarios), self.threads, self.progress.advance, self._room
        )

    def _logs_of(self, scenarios: np.ndarray) -> Logs:
        heard, n_batches = self._heard(scenarios), self.n_rounds * N_REPLICATES
        return lambda replicate: self._logs(range(replicate, n_batches, N_REPLICATES), heard)

    def _heard(self, scenarios: np.ndarray) -> list[int]:
        """Sources that sound in any of some scenarios, as programme or as noise: no others need be read."""
        on = np.any(
            [active[:, scenarios].any(axis=1) for active in (self.scene.sources.active, *self._noise_active)],
            axis=0,
        )
        return [int(source) for source in np.flatnonzero(on)]

    def _with_early(self, late: np.ndarray, scenarios: np.ndarray, receivers: slice) -> EnergyResponse:
        sums = sum_image_paths(
            self.scene, self.image_paths, self.edges, MODULATION_FREQUENCIES, scenarios, receivers
        )
        arrivals = Arrivals(sums.first, sums.time, sums.energy)
        return EnergyResponse(self.edges, late, arrivals, sums.direct, sums.modulation)

    @property
    def _noise_active(self) -> list[np.ndarray]:
        noise_active = self.scene.sources.noise_active
        return [] if noise_active is None else [noise_active]

    def noise_energy(
        self, scenarios: np.ndarray, receivers: slice, n_replicates: int, n_batches: int, logs: Logs
    ) -> np.ndarray | None:
        """(n_replicates, n_receivers, n_scenarios, 8), (re 20 uPa)^2: all sound of the noise sources of one block.

        They are traced like others, but only their total counts. `logs` and `n_batches` as `Replay.late` takes
        them. None where no noise source is on.
        """
        for active in self._noise_active:
            if active[:, scenarios].any():
                # The noise sources alone, as if they were the programme.
                scene = replace(self.scene, sources=replace(self.scene.sources, active=active))
                whole = self.edges[[0, -1]]
                replay = Replay(scene, self.plan, whole, scenarios, receivers)
                late = replay.late(n_replicates, n_batches, logs, self.threads)
                no_modulation = MODULATION_FREQUENCIES[:0]
                sums = sum_image_paths(scene, self.image_paths, whole, no_modulation, scenarios, receivers)
                return late[:, :, 0] + sums.total
        return None

    def late_energy(self, scenario: int, after: float) -> LateEnergy:
        """Energy of one scenario later than `after`, s after time zero, by the surface that it came off last."""
        chosen, everyone = np.array([scenario]), slice(0, self.scene.receivers.n_receivers)
        zero = time_zero(self.response(chosen, everyone))[:, 0]
        return late_by_last_surface(
            self.scene, self.plan, self.edges, self.image_paths, scenario, earliest_arrival(self.scene, scenario),
            zero + after, self._logs_of(chosen), N_REPLICATES, self.n_rounds, self.threads,
        )  # fmt: skip

    @cached_property
    def source_power(self) -> np.ndarray:
        """(n_scenarios, 8) dB re 1 pW of all sources that are on, with 400 Pa s/m."""
        sources = self.scene.sources
        power = np.array(
            [10 ** (sources.level[i] / 10) * radiated(sources, i) for i in range(len(sources.names))]
        )
        with np.errstate(divide="ignore"):
            return 10 * np.log10(np.einsum("ik,ib->kb", sources.active, power))

    def evaluate(
        self, metrics: list[str] | None = None, stage: str = "Working out figures"
    ) -> dict[str, Replicated]:
        """All figures (or those named) of all seats and scenarios. `stage` is what the progress calls it."""
        shape = (self.scene.receivers.n_receivers, self.scene.n_scenarios)
        whole: dict[str, Replicated] = {}
        blocks = self.blocks()
        # Weighing the paths and evaluating take about as long as each other.
        self.progress.start(stage, 2 * N_REPLICATES * len(blocks))
        for block, receivers in blocks:
            for scenarios, late in _few_at_a_time(block, self._late(block, receivers)):
                part = self._evaluate(self._with_early(late, scenarios, receivers), scenarios, receivers, metrics)
                for name, figure in part.items():
                    if name not in whole:
                        behind = figure.full.shape[2:]
                        whole[name] = Replicated(
                            np.empty((*shape, *behind)), np.empty((N_REPLICATES, *shape, *behind), np.float32)
                        )
                    whole[name].full[receivers, scenarios] = figure.full
                    whole[name].left_out[:, receivers, scenarios] = figure.left_out
            self.progress.advance(N_REPLICATES)
        return whole

    def _evaluate(
        self, response: EnergyResponse, scenarios: np.ndarray, receivers: slice, metrics: list[str] | None
    ) -> dict[str, Replicated]:
        logs = self._logs_of(scenarios)
        return evaluate(
            response,
            self.scene.noise[scenarios],
            self.source_power[scenarios],
            metrics,
            self.threads,
            self.noise_energy(scenarios, receivers, N_REPLICATES, self.n_rounds, logs),
        )

    def with_scenarios(self, scene: Scene) -> Engine:
        """The same paths, weighed for other scenarios: no new tracing.

        Parameters
        ----------
        scene : Scene
            Of the same surfaces, seats and sources; with any number of scenarios.

        Raises
        ------
        ValueError : an event is possible in it that no path of this engine could have taken
        """
        possible = self.plan.possible
        if scene.factors.shape[:2] != possible.shape or (scene.factors[~possible] > 0.0).any():
            raise ValueError("these scenarios need events that the paths were not traced for")
        paths = self.image_paths
        other = copy.copy(self)
        # What was worked out from the old scene goes; the paths stay.
        vars(other).pop("source_power", None)
        other.scene, other.__dict__["image_paths"] = scene, paths
        return other

    def whole_figures(
        self, metrics: list[str], n_batches: int, tell: Callable[[], None] = lambda: None
    ) -> dict[str, np.ndarray]:
        """Figures of all seats and scenarios from the first batches of each source, in one sum, without errors.

        For differences on the same paths: chance is common to both sides there. Axes as in `evaluate`. `tell` is
        called after each block.
        """
        n_batches = min(n_batches, self.n_rounds * N_REPLICATES)
        n_receivers, n_scenarios = self.scene.receivers.n_receivers, self.scene.n_scenarios
        whole: dict[str, np.ndarray] = {}
        of_thread = threading.local()

        def fill(block: tuple[np.ndarray, slice]) -> None:
            scenarios, receivers = block

            def logs(_: int) -> Iterator[PathLog]:
                return self._logs(range(n_batches), self._heard(scenarios))

            replay = Replay(self.scene, self.plan, self.edges, scenarios, receivers)
            room = of_thread.__dict__.setdefault("room", Room())
            late = replay.late(1, n_batches, logs, room=room)
            for some, of_some in _few_at_a_time(scenarios, late):
                response = self._with_early(of_some, some, receivers)
                noise_energy = self.noise_energy(some, receivers, 1, n_batches, logs)
                levels = (self.scene.noise[some], self.source_power[some])
                part = evaluate_whole(response, *levels, metrics, noise_energy)
                for name, figure in part.items():
                    whole.setdefault(name, np.empty((n_receivers, n_scenarios, *figure.shape[2:])))
                    whole[name][receivers, some] = figure

        with ThreadPoolExecutor(min(self.threads, N_REPLICATES)) as pool:
            for _ in pool.map(fill, self.blocks_of_sums()):
                tell()
        return whole

    def run_to(self, precision: Precision) -> Precise:
        """Add rounds until the standard errors asked for are met or the budget is spent."""
        started = time.monotonic()
        deadline = started + 60 * precision.max_minutes
        wanted = 1
        most = max(1, precision.max_rays // (self._batches_a_round * RAYS_PER_BATCH))
        self.progress.message(self.describe())
        most = self._announce(most)
        while True:
            self.progress.start("Tracing", (wanted - self.n_rounds) * self._batches_a_round)
            self.add_rounds(wanted - self.n_rounds, deadline)
            reached = self._standard_errors(precision)
            excess = max(error / wanted for error, wanted in reached.values())
            if excess <= 1.0 or time.monotonic() > deadline:
                return self._precise(reached)
            # The error falls with the root of the rays; a tenth more makes one step enough as a rule.
            needed = max(math.ceil(self.n_rounds * 1.1 * excess**2), self.n_rounds + 1)
            most = self._tell_how_much_more(needed, most)
            if self.n_rounds >= most:
                return self._precise(reached)
            wanted = min(needed, most)

    def _announce(self, most: int) -> int:
        """Tell what is coming, refuse what cannot fit; return how many rounds, of `most`, fit on the disk.

        Raises
        ------
        CapacityError
        """
        scene, kept = self.scene, self._kept()
        rays = self._batches_a_round * RAYS_PER_BATCH
        # What is kept from earlier costs nothing: a few more rays would tell nothing either.
        self._needs = needs = needs_of(self, rays, probe=not kept)
        refuse_what_cannot_fit(needs, self.disk)
        self.progress.message(
            f"{scene.receivers.n_receivers:,} seats in {scene.n_scenarios:,} scenarios, {len(self.traced)} sources: "
            f"some {bytes_text(needs.memory)} of memory. "
            + (f"{kept} rounds of rays are kept." if kept else f"A round of {rays:,} rays: {self._price(1)}.")
        )
        return self._that_fit(most)

    def _that_fit(self, most: int) -> int:
        """Rounds, of `most`, that fit on the disk with the results."""
        needs, kept = self._needs, self._kept()
        if self.disk is None or needs.round_disk == 0.0:
            return most
        return min(most, max(1, kept + int((free_disk(self.disk) - needs.results_disk) / needs.round_disk)))

    def _tell_how_much_more(self, needed: int, most: int) -> int:
        """Tell what the precision takes; return how many rounds, of `most`, fit on the disk."""
        if needed <= self._kept():
            return most
        if self._needs.round_seconds == 0.0:
            self._needs = needs_of(self, self._batches_a_round * RAYS_PER_BATCH)
        most = self._that_fit(most)
        self.progress.message(
            f"The precision takes some {needed} rounds of rays: {self._price(needed - self.n_rounds)} more."
            + (f" No more than {most} are allowed or fit on the disk." if needed > most else "")
        )
        return most

    def _price(self, n_rounds: int) -> str:
        """Time and disk of some rounds, in words."""
        needs = self._needs
        seconds = seconds_text(n_rounds * needs.round_seconds + needs.figure_seconds)
        return f"some {seconds}" + (
            f" and {bytes_text(n_rounds * needs.round_disk)} on the disk" if self.disk is not None else ""
        )

    def _kept(self) -> int:
        """Rounds that are on the disk from earlier, as far as names tell."""
        if self._store is None or not self.traced:
            return 0
        return min(len(self._store.batches(source)) for source in self.traced) // N_REPLICATES

    def _standard_errors(self, precision: Precision) -> dict[str, tuple[float, float]]:
        """Name of each figure that precision is asked for -> the standard error that the wanted share of seats
        stays below in the worst scenario (and band), and the one wanted."""
        wanted = {
            "speech_transmission_index": precision.sti,
            "a_weighted_level": precision.level or np.inf,
            "clarity_c50": precision.clarity or np.inf,
        }
        asked = [name for name in wanted if np.isfinite(wanted[name])]
        reached = {}
        for name, figure in self.evaluate(asked, "Checking the precision").items():
            error = figure.estimate().standard_error
            if error.ndim == 3:
                error = error[..., 1:7].reshape(len(error), -1)
            known = np.isfinite(error).all(axis=1)
            if not known.any():
                if name != "speech_transmission_index":  # without late energy no clarity: nothing to wait for
                    continue
                raise SceneError(
                    "no seat has a speech transmission index in all scenarios: no sound reaches the seats, or it dies "
                    "away too slowly to be followed",
                    cure="Check that sources and seats are in the same room, delays, and the absorption of surfaces.",
                )
            last = np.quantile(error[known], precision.share_of_seats, axis=0, method="higher").max()
            reached[name] = (float(last), wanted[name])
        return reached

    def _precise(self, reached: dict[str, tuple[float, float]]) -> Precise:
        missed = {name: (error, wanted) for name, (error, wanted) in reached.items() if error > wanted}
        return Precise(
            standard_error=reached["speech_transmission_index"][0],
            is_met=not missed,
            missed=missed,
            n_rounds=self.n_rounds,
            n_rays=self.n_rays,
            n_lost=self._n_lost,
            lost_energy=self._lost_energy / (self.n_rounds * self._batches_a_round),
        )


def _few_at_a_time(scenarios: np.ndarray, late: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Some scenarios, and the energies of those."""
    for some in np.array_split(np.arange(len(scenarios)), math.ceil(len(scenarios) / FEWEST_SCENARIOS)):
        yield scenarios[some], late[..., some[0] : some[-1] + 1, :]
