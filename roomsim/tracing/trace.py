"""Tracing batches of rays."""

from __future__ import annotations

import numpy as np

from ..errors import SceneError
from ..scene.scene import Scene
from . import _paths
from ._closest import find_hits
from ._paths import Rays, Record, Rules
from .emission import Emission
from .geometry import pack_geometry
from .paths import BRANCHED, PathLog, SamplingPlan
from .seats import build_tree

SEGMENTS_PER_RAY = 128
"""Initial capacity of a log, in segments per ray; it grows as needed."""


class Tracer:
    """Traces batches of one scene; `trace` may be called from several threads at once.

    Parameters
    ----------
    scene : Scene
    plan : SamplingPlan
    seed : int
        Together with the batch number it determines all random numbers.
    image_order : int
        Specular paths up to this order are left to the image sources.
    duration : float
        s, how long rays are followed.
    """

    def __init__(self, scene: Scene, plan: SamplingPlan, seed: int, image_order: int, duration: float):
        if 3 * len(scene.patches) >= BRANCHED:
            raise SceneError(
                f"the scene has {len(scene.patches)} different surface patches; the engine supports at most "
                f"{BRANCHED // 3}",
                cure="Merge surface groups of equal material in the mesh.",
            )
        self.scene, self.seed, self.image_order = scene, seed, image_order
        self.geometry = pack_geometry(scene.surfaces)
        self.radius = self._free_radius()
        self.seats = build_tree(scene.receivers, self.radius)
        sources = scene.sources
        self._emission = [Emission(sources, i) for i in range(len(sources.names))]
        farthest = np.linalg.norm(scene.receivers.position[:, None] - sources.position[None], axis=2).max()
        self.plan = plan
        self._rules = Rules(
            share_until=np.cumsum(plan.share).astype(np.float32), threshold=_thresholds(plan.probability),
            sheet=plan.sheet, sent_energy=plan.sent_energy.reshape(-1), initial_state=plan.initial_state,
            energy_kept=plan.energy_kept, initial_density=plan.initial_density,
            density_kept=plan.density_kept.reshape(-1), image_order=image_order,
            max_length=np.float32(duration * scene.speed_of_sound + farthest),
        )  # fmt: skip

    def _free_radius(self) -> np.ndarray:
        """(n_receivers,) m: radius of each seat's sphere, reduced where a surface is nearer than the required radius.

        Rays cannot reach the part of a sphere that lies behind a surface.
        """
        receivers = self.scene.receivers
        index = np.arange(128)
        z = 1 - (2 * index + 1) / 128
        azimuth = np.pi * (1 + 5**0.5) * index
        around = np.stack(
            [np.sqrt(1 - z * z) * np.cos(azimuth), np.sqrt(1 - z * z) * np.sin(azimuth), z], axis=1
        )
        n = receivers.n_receivers
        origins, directions = np.repeat(receivers.position, len(around), axis=0), np.tile(around, (n, 1))
        distance, _ = find_hits(origins, directions, self.geometry)
        nearest = distance.reshape(n, -1).min(axis=1)
        return np.clip(0.98 * nearest, 0.1, receivers.radius)

    def trace(self, source: int, batch: int, n_rays: int) -> PathLog:
        """Batch number `batch` of a source; it depends on nothing but the arguments of the tracer and of this call."""
        directions, emission = self._emission[source].draw(self.seed, source, batch, n_rays)
        position = self.scene.sources.position[source].astype(np.float32)
        rays = Rays(self.seed, source, batch * n_rays, position, directions)
        record, done = _new_record(n_rays), 0
        scratch = _paths.new_scratch(self.seats, len(self._rules.initial_state))
        while True:
            done = _paths.trace_rays(done, rays, self._rules, self.geometry, self.seats, record, scratch)
            if done == n_rays:
                break
            # Make room in proportion to the rays still to come.
            factor = 1.1 * n_rays / max(done, 1) if done else 2.0
            record = record._replace(**{name: _grown(getattr(record, name), factor) for name in _GROWING})
        n_segments, n_deposits, n_lost, n_shares = (int(x) for x in record.totals)
        mean_emission = emission.mean(axis=1)
        return PathLog(
            source=source, batch=batch, n_rays=n_rays, ray_end=record.ray_end, component=record.component,
            emission=emission, event=record.event[:n_segments].copy(), n_deposits=record.n_deposits[:n_segments].copy(),
            share=record.share[:n_shares].copy(), receiver=record.receiver[:n_deposits].copy(),
            path_length=record.path_length[:n_deposits].copy(), chord=record.chord[:n_deposits].copy(), n_lost=n_lost,
            lost_energy=float((record.lost_survival * mean_emission).sum() / mean_emission.sum()),
            lost_positions=record.lost_position[:n_lost].copy(), lost_directions=record.lost_direction[:n_lost].copy(),
        )  # fmt: skip


_GROWING = ("event", "n_deposits", "share", "receiver", "path_length", "chord")


def _new_record(n_rays: int) -> Record:
    n = n_rays * SEGMENTS_PER_RAY
    lost = (_paths.N_LOST_RECORDED, 3)
    return Record(
        ray_end=np.empty(n_rays, np.int64), component=np.empty(n_rays, np.uint8),
        event=np.empty(n, np.uint16), n_deposits=np.empty(n, np.uint16), share=np.empty(n // 8, np.float32),
        receiver=np.empty(n // 4, np.uint32), path_length=np.empty(n // 4, np.float32),
        chord=np.empty(n // 4, np.float32), lost_position=np.empty(lost, np.float32),
        lost_direction=np.empty(lost, np.float32), lost_survival=np.zeros(n_rays, np.float32),
        totals=np.zeros(4, np.int64),
    )  # fmt: skip


def _thresholds(probability: np.ndarray) -> np.ndarray:
    """(n_components, n_patches, 2) float32: a number below the first draws specular, below the second diffuse.

    Events of probability zero must never be drawn, not even by a number that rounding left at the very end.
    """
    specular = probability[..., 0]
    not_through = np.where(probability[..., 2] > 0.0, specular + probability[..., 1], 2.0)
    specular = np.where(probability[..., 1] > 0.0, specular, not_through)
    return np.ascontiguousarray(np.stack([specular, not_through], axis=-1), dtype=np.float32)


def _grown(array: np.ndarray, factor: float) -> np.ndarray:
    larger = np.empty(int(len(array) * max(factor, 1.2)), array.dtype)
    larger[: len(array)] = array
    return larger
