"""Origin of late energy: the surface that each path was last reflected at before it reached the audience.

The weights are those of the ordinary replay, which receives only the late deposits, with an entry for each audience
area and last surface in place of the seats.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..scene.scene import TRANSMITTED, Scene
from ._replay import last_reflections
from .images import ImagePaths
from .interference import interference
from .paths import PathLog, SamplingPlan
from .replay import Replay, source_gain


@dataclass(frozen=True)
class LateEnergy:
    """Mean over the seats of each audience area of the late energy, by the surface of the last reflection.

    Squared pressure re (20 uPa)^2. Transmission through cloth does not count. The last place of the patch axis holds
    the energy that no surface reflected: the late direct sound of other sources.
    """

    traced: np.ndarray
    """(n_replicates, n_areas, n_patches + 1, 8) float64; the mean over replicates is the best estimate."""
    images: np.ndarray
    """(n_areas, n_patches + 1, 8) float64: direct sound and image sources, without Monte Carlo error."""

    @property
    def replicates(self) -> np.ndarray:
        """(n_replicates, n_areas, n_patches + 1, 8): all late energy in each replicate."""
        return self.traced + self.images


def late_by_last_surface(
    scene: Scene,
    plan: SamplingPlan,
    edges: np.ndarray,
    paths: Sequence[ImagePaths],
    scenario: int,
    start: np.ndarray,
    after: np.ndarray,
    logs: Callable[[int], Iterable[PathLog]],
    n_replicates: int,
    n_batches: int,
    threads: int = 1,
) -> LateEnergy:
    """Divide the late energy of one scenario by audience area and by the surface of the last reflection.

    Parameters
    ----------
    plan : the plan that the paths were traced with
    edges : (n_bins + 1,) s, of the replay; energy after the last is omitted
    paths : image-source paths of the scene
    scenario : its index
    start : (n_receivers, 8) s, of the bins, as `replay.earliest_arrival` gives it
    after : (n_receivers, 8) s after `start`, from which on energy is late
    logs, n_replicates, n_batches, threads : as for `Replay.late`
    """
    n_places = len(scene.patches) + 1
    n_areas = len(scene.receivers.area_names)
    # The positions are irrelevant with a single bin of time.
    position = np.repeat(scene.sources.position[:1], n_areas * n_places, axis=0)
    entries = replace(scene, receivers=replace(scene.receivers, position=position))
    one_bin = np.array([0.0, edges[-1] + start.max() + 1.0])
    replay = Replay(entries, plan, one_bin, slice(scenario, scenario + 1), slice(0, len(position)))
    n_seats = np.bincount(scene.receivers.area, minlength=n_areas)[:, None, None]
    traced = np.empty((n_replicates, n_areas, n_places, start.shape[1]))
    # Bands whose limits are the same at all seats are evaluated together: normally all of them.
    _, group = np.unique(np.concatenate([start, after]).round(9), axis=1, return_inverse=True)
    for bands in (np.flatnonzero(group.ravel() == g) for g in range(group.max() + 1)):
        begin, end = (start[:, bands[0]] + part for part in (after[:, bands[0]], edges[-1]))

        def by_entry(log: PathLog, begin: np.ndarray = begin, end: np.ndarray = end) -> PathLog:
            return _by_entry(log, scene, begin.astype(np.float32), end.astype(np.float32), n_places)

        def logs_by_entry(replicate: int, convert: Callable[[PathLog], PathLog] = by_entry) -> Iterable[PathLog]:
            return map(convert, logs(replicate))

        energy = replay.late(n_replicates, n_batches, logs_by_entry, threads).astype(np.float64)
        traced[..., bands] = energy.reshape(traced.shape)[..., bands] / n_seats
    images = _late_images(scene, paths, scenario, start + after, start + edges[-1]) / n_seats
    return LateEnergy(traced, images)


def last_surfaces(event: np.ndarray, ray_end: np.ndarray, none: int) -> np.ndarray:
    """(n_segments,) patch at which the sound of each segment was last reflected, `none` before the first.

    Parameters
    ----------
    event, ray_end : as in `PathLog`
    """
    last = np.empty(len(event), np.int64)
    last_reflections(ray_end, event, none, last)
    return last


def _by_entry(log: PathLog, scene: Scene, begin: np.ndarray, end: np.ndarray, n_places: int) -> PathLog:
    """The log reduced to its late deposits, each at the entry of its area and last surface."""
    delay = np.float32(scene.sources.delay[log.source])
    time = log.path_length / np.float32(scene.speed_of_sound) + delay
    late = (time >= begin[log.receiver]) & (time < end[log.receiver])
    segment = np.repeat(np.arange(log.n_segments), log.n_deposits)[late]
    last = last_surfaces(log.event, log.ray_end, n_places - 1)[segment]
    area = scene.receivers.area[log.receiver[late]]
    return replace(
        log,
        n_deposits=np.bincount(segment, minlength=log.n_segments).astype(np.uint16),
        receiver=(area * n_places + last).astype(np.uint32),
        path_length=log.path_length[late],
        chord=log.chord[late],
    )


def _late_images(
    scene: Scene, paths: Sequence[ImagePaths], scenario: int, begin: np.ndarray, end: np.ndarray
) -> np.ndarray:
    """(n_areas, n_patches + 1, 8), summed over seats."""
    none = len(scene.patches)
    total = np.zeros((len(scene.receivers.area_names), none + 1, scene.factors.shape[3]))
    table = scene.factors[:, :, scenario].reshape(-1, total.shape[2])
    chosen = slice(scenario, scenario + 1)
    together = interference(scene, paths, chosen, slice(0, scene.receivers.n_receivers))
    for p in paths:
        time = (p.length / scene.speed_of_sound + scene.sources.delay[p.source])[:, None]
        # An arrival exactly at the limit is late.
        is_late = (time + 1e-9 >= begin[p.receiver]) & (time < end[p.receiver])
        late = np.flatnonzero(is_late.any(axis=1))
        length, receiver = p.length[late][:, None], p.receiver[late]
        gain = source_gain(scene.sources, p.source)[scenario]
        energy = gain * p.emission[late] * np.exp(-scene.air_attenuation * length) / length**2
        energy *= together[p.source][receiver, 0] * is_late[late]
        last = np.full(len(late), none)
        # Events run from the receiver's end: the first reflection among them is the last on the path.
        for k in range(int(p.n_events[late].max(initial=0))):
            event = p.events[late, k].astype(np.int64)
            has_event = p.n_events[late] > k
            energy[has_event] *= table[event[has_event]]
            reflected = has_event & (last == none) & (event % 3 != TRANSMITTED)
            last[reflected] = event[reflected] // 3
        np.add.at(total, (scene.receivers.area[receiver], last), energy)
    return total
