"""Rays traced in rounds of independent batches: the set-up that determines their paths, and the paths traced so far."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..scene.scene import Scene
from ..tracing.images import ImagePaths, find_image_paths
from ..tracing.paths import PathLog, SamplingPlan
from ..tracing.replay import time_bins
from ..tracing.sampling_plan import sampling_plan
from ..tracing.trace import Tracer
from .duration import tracing_duration
from .progress import Progress
from .store import LogLimits, MemoryStore, Part, PathStore, StudyStore, digest

N_REPLICATES = 20
RAYS_PER_BATCH = 4096
"""Per source. A batch is one file: small enough for short runs, large enough to keep the number of files low."""
ENGINE_VERSION = 3
"""Raised whenever the same seed gives different paths: paths stored by an earlier version are then traced again."""


@dataclass(frozen=True)
class TracingSetup:
    """Everything that determines the paths of a scene, and the store of their batches.

    Created by `prepare_tracing`.
    """

    scene: Scene
    plan: SamplingPlan
    edges: np.ndarray
    """(n_bins + 1,) s, of the time bins of every energy response."""
    sources: tuple[int, ...]
    """Indices of the sources that sound in any scenario; the others are not traced."""
    tracer: Tracer
    batches: PathStore | MemoryStore
    n_replicates: int
    rays_per_batch: int
    threads: int
    folder: Path | None
    """Of the study's store; None where batches are held in memory."""

    @property
    def batches_per_round(self) -> int:
        """Of all sources together."""
        return self.n_replicates * len(self.sources)

    @property
    def rays_per_round(self) -> int:
        """Of all sources together."""
        return self.batches_per_round * self.rays_per_batch

    @property
    def n_stored_rounds(self) -> int:
        """Complete rounds of which the store has all batches, by the names of their files."""
        return min((len(self.batches.batches(source)) for source in self.sources), default=0) // self.n_replicates

    def log(self, source: int, batch: int) -> PathLog:
        """A batch: read from the store if it exists there undamaged, otherwise traced and stored."""
        log = self.batches.read(source, batch)
        if log is None:
            log = self.tracer.trace(source, batch, self.rays_per_batch)
            self.batches.write(log)
        return log

    def image_paths(self) -> tuple[ImagePaths, ...]:
        """Direct sound and early specular reflections, up to the longest path within the time that is traced."""
        # No response starts later than the travel time from the farthest source.
        sources, seats = self.scene.sources, self.scene.receivers
        farthest = np.linalg.norm(seats.position[:, None] - sources.position, axis=2).max()
        latest = farthest / self.scene.speed_of_sound + sources.delay.max()
        longest = (self.edges[-1] + latest) * self.scene.speed_of_sound
        return find_image_paths(
            self.scene, self.tracer.image_order, longest, self.threads, self.tracer.geometry, self.sources
        )

    def trace(
        self, n_rounds: int, deadline: float = math.inf, progress: Progress | None = None
    ) -> TracedPaths:
        """Find the image-source paths and trace the first rounds; for the parameters see `TracedPaths.extended`."""
        return TracedPaths(self, self.image_paths()).extended(n_rounds, deadline, progress)


@dataclass(frozen=True)
class TracedPaths:
    """Paths traced so far. Batch b of a source belongs to replicate b mod `n_replicates`; a round is
    `n_replicates` batches of each source. The paths depend only on the set-up and the number of rounds."""

    setup: TracingSetup
    image_paths: tuple[ImagePaths, ...]
    n_rounds: int = 0
    n_lost: int = 0
    """Rays that left through gaps in the mesh."""
    energy_lost: float = 0.0
    """Their energy, summed over batches, each relative to what its source emits."""

    @property
    def n_rays(self) -> int:
        """Of all sources together."""
        return self.n_rounds * self.setup.rays_per_round

    @property
    def n_batches(self) -> int:
        """Of each source."""
        return self.n_rounds * self.setup.n_replicates

    @property
    def share_lost(self) -> float:
        """Share of the emitted energy that left through gaps in the mesh."""
        return self.energy_lost / (self.n_rounds * self.setup.batches_per_round)

    def logs(self, batches: Iterable[int], sources: Sequence[int]) -> Iterator[PathLog]:
        """Batches of the given sources, always in the same order."""
        return (self.setup.log(source, batch) for batch in batches for source in sources)

    def extended(
        self, n_rounds: int, deadline: float = math.inf, progress: Progress | None = None
    ) -> TracedPaths:
        """These paths and those of `n_rounds` more rounds.

        Only complete rounds are added: fewer than `n_rounds`, but at least one, if the clock (time.monotonic) passes
        `deadline`.
        `progress` advances by one step for each batch.
        """
        paths, progress = self, progress or Progress()
        for _ in range(n_rounds):
            paths = paths._with_next_round(progress)
            if time.monotonic() > deadline:
                break
        return paths

    def _with_next_round(self, progress: Progress) -> TracedPaths:
        batches = range(self.n_batches, self.n_batches + self.setup.n_replicates)
        addresses = [(source, batch) for batch in batches for source in self.setup.sources]
        n_lost, energy_lost = self.n_lost, self.energy_lost
        pool = ThreadPoolExecutor(self.setup.threads)
        try:
            # Logs are not held in memory: they are read again from the store, batch by batch, when they are weighted.
            for log in pool.map(lambda address: self.setup.log(*address), addresses):
                n_lost += log.n_lost
                energy_lost += log.lost_energy
                progress.advance()
        finally:
            # After an interruption the batches in progress are finished and stored; the others are not started.
            pool.shutdown(cancel_futures=True)
        return replace(self, n_rounds=self.n_rounds + 1, n_lost=n_lost, energy_lost=energy_lost)


def prepare_tracing(
    scene: Scene, seed: int, image_order: int, store: StudyStore | None = None, threads: int | None = None
) -> TracingSetup:
    """Determine how paths are sampled, for how long they are traced, and where they are stored.

    Parameters
    ----------
    image_order : specular reflections up to this order come from image sources
    store : for the batches; by default they are held in memory
    threads : by default one for each core; paths do not depend on it
    """
    plan = sampling_plan(scene)
    edges = time_bins(tracing_duration(scene, plan, seed))
    batches: PathStore | MemoryStore = MemoryStore()
    if store is not None:
        limits = LogLimits(plan.sheet, scene.receivers.n_receivers, plan.n_components)
        batches = store.paths(digest(_determinants(scene, seed, image_order, plan, edges)), limits)
    return TracingSetup(
        scene=scene,
        plan=plan,
        edges=edges,
        sources=playing_sources(scene, np.arange(scene.n_scenarios)),
        tracer=Tracer(scene, plan, seed, image_order, float(edges[-1])),
        batches=batches,
        n_replicates=N_REPLICATES,
        rays_per_batch=RAYS_PER_BATCH,
        threads=threads or os.cpu_count() or 1,
        folder=None if store is None else store.folder,
    )


def playing_sources(scene: Scene, scenarios: np.ndarray) -> tuple[int, ...]:
    """Sources that play in any of the scenarios."""
    return tuple(np.flatnonzero(is_playing(scene)[:, scenarios].any(axis=1)).tolist())


def is_playing(scene: Scene) -> np.ndarray:
    """(n_sources, n_scenarios) bool: whether a source is on in a scenario, as programme or as noise."""
    noise = scene.sources.noise_active
    return (scene.sources.active > 0.0) | (False if noise is None else noise > 0.0)


def _determinants(
    scene: Scene, seed: int, image_order: int, plan: SamplingPlan, edges: np.ndarray
) -> dict[str, Part]:
    """All that the content of a batch depends on, by name."""
    surfaces = scene.surfaces
    return {
        "engine": ENGINE_VERSION, "seed": seed, "image_order": image_order, "rays": RAYS_PER_BATCH,
        "origin": surfaces.origin, "edge_u": surfaces.edge_u, "edge_v": surfaces.edge_v,
        "is_triangle": surfaces.is_triangle, "patch": surfaces.patch, "mirror": surfaces.mirror,
        "plan": plan.probability, "shares": plan.share,
        "sheets": plan.sheet, "wish": plan.sent_energy, "states": plan.initial_state,
        "receivers": scene.receivers.position, "radius": scene.receivers.radius,
        "sources": scene.sources.position, "axes": scene.sources.axes, "balloon": scene.sources.balloon,
        "speed": scene.speed_of_sound, "duration": float(edges[-1]),
        "density": plan.initial_density, "density_kept": plan.density_kept,
    }  # fmt: skip
