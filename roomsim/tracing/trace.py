"""Tracing batches of rays."""

from __future__ import annotations

import numpy as np

from ..errors import SceneError
from ..scene.scene import Scene
from . import _paths
from ._closest import closest_hits
from .emission import Emission
from .geometry import pack_geometry
from .paths import BRANCHED, PathLog, SamplingPlan
from .seats import build_tree

ROOM_PER_RAY = 128
"""Segments a ray that a log has room for at first; it grows as needed."""


class Tracer:
    """Traces batches of one scene; `trace` may be called from several threads at once.

    Parameters
    ----------
    scene : Scene
    plan : SamplingPlan
    seed : int
        With the number of the batch it addresses all random numbers.
    image_order : int
        Specular paths up to this order are left to the image sources.
    duration : float
        s, how long rays are followed.
    """

    def __init__(self, scene: Scene, plan: SamplingPlan, seed: int, image_order: int, duration: float):
        if 3 * len(scene.patches) >= BRANCHED:
            raise SceneError(
                f"the scene has {len(scene.patches)} different surface patches; the engine holds "
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
        self._max_length = np.float32(duration * scene.speed_of_sound + farthest)
        self.plan = plan
        self._threshold = _thresholds(plan.probability)
        self._share_until = np.cumsum(plan.share).astype(np.float32)
        self._wish = plan.wish.reshape(-1)
        self._density_kept = plan.density_kept.reshape(-1)

    def _free_radius(self) -> np.ndarray:
        """(n_receivers,) m: the sphere of each seat, smaller where a surface is nearer than the radius asked for.

        A sphere cut by a wall would stand for more volume than rays can reach.
        """
        receivers = self.scene.receivers
        index = np.arange(128)
        z = 1 - (2 * index + 1) / 128
        azimuth = np.pi * (1 + 5**0.5) * index
        around = np.stack(
            [np.sqrt(1 - z * z) * np.cos(azimuth), np.sqrt(1 - z * z) * np.sin(azimuth), z], axis=1
        )
        n = receivers.n_receivers
        origins = np.repeat(receivers.position, len(around), axis=0).astype(np.float32)
        distance = np.empty(len(origins), np.float32)
        hit = np.empty(len(origins), np.int32)
        closest_hits(
            origins,
            np.tile(around, (n, 1)).astype(np.float32),
            np.full(len(origins), -1, np.int32),
            self.geometry,
            distance,
            hit,
        )
        nearest = distance.reshape(n, -1).min(axis=1)
        return np.clip(0.98 * nearest, 0.1, receivers.radius)

    def trace(self, source: int, batch: int, n_rays: int) -> PathLog:
        """Batch number `batch` of a source: the same for ever, whatever else runs."""
        directions, emission = self._emission[source].draw(self.seed, source, batch, n_rays)
        ray_end = np.empty(n_rays, np.int64)
        component = np.empty(n_rays, np.uint8)
        room = n_rays * ROOM_PER_RAY
        event, n_deposits = np.empty(room, np.uint16), np.empty(room, np.uint16)
        share = np.empty(room // 8, np.float32)
        receiver = np.empty(room // 4, np.uint32)
        path_length, chord = np.empty(room // 4, np.float32), np.empty(room // 4, np.float32)
        lost_position = np.empty((_paths.N_LOST_KEPT, 3), np.float32)
        lost_direction = np.empty((_paths.N_LOST_KEPT, 3), np.float32)
        lost_survival = np.zeros(n_rays, np.float32)
        totals = np.zeros(4, np.int64)
        done = 0
        while True:
            done = _paths.trace_rays(
                self.seed, source, batch * n_rays, done, self.scene.sources.position[source].astype(np.float32),
                directions, self.geometry, self.seats, self._share_until, self._threshold,
                self.plan.sheet, self._wish, self.plan.state_at_start, self.plan.staying,
                self.plan.density_at_start, self._density_kept, self.image_order, self._max_length,
                ray_end, component, event, n_deposits, share, receiver, path_length, chord,
                lost_position, lost_direction, lost_survival, totals,
            )  # fmt: skip
            if done == n_rays:
                break
            # Make room in proportion to the rays still to come.
            grow = 1.1 * n_rays / max(done, 1) if done else 2.0
            event, n_deposits, share = _grown(event, grow), _grown(n_deposits, grow), _grown(share, grow)
            receiver, path_length, chord = (
                _grown(receiver, grow),
                _grown(path_length, grow),
                _grown(chord, grow),
            )
        n_segments, n_kept, n_lost, n_shares = (int(x) for x in totals)
        mean_emission = emission.mean(axis=1)
        return PathLog(
            source=source, batch=batch, n_rays=n_rays, ray_end=ray_end, component=component, emission=emission,
            event=event[:n_segments].copy(), n_deposits=n_deposits[:n_segments].copy(),
            share=share[:n_shares].copy(), receiver=receiver[:n_kept].copy(),
            path_length=path_length[:n_kept].copy(), chord=chord[:n_kept].copy(), n_lost=n_lost,
            lost_energy=float((lost_survival * mean_emission).sum() / mean_emission.sum()),
            lost_positions=lost_position[: min(n_lost, len(lost_position))].copy(),
            lost_directions=lost_direction[: min(n_lost, len(lost_direction))].copy(),
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
