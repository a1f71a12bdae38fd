"""Direct sound and early specular reflections, without Monte Carlo error: image sources with visibility.

Allen and Berkley, Journal of the Acoustical Society of America 65 (1979), 943, for the box; Borish, ibid. 75 (1984),
1827, for any polyhedron. The tracer leaves out exactly the paths found here: all reflections specular, all on
mirror planes, at most `order` of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from ..scene.scene import Scene
from ._image_paths import MAX_EVENTS, PathArrays, Search, find_paths, new_scratch, sum_arrivals
from ._memory import zeros
from .geometry import Geometry, corners_of, pack_geometry
from .interference import interference
from .replay import Selection, earliest_arrival, source_gain
from .source_amplitudes import source_amplitudes

_CHUNK = 64
"""Receivers searched at a time."""


@dataclass(frozen=True)
class ImagePaths:
    """Valid paths from one source, receiver by receiver."""

    source: int
    receiver: np.ndarray
    """(n_paths,) int32, ascending."""
    order: np.ndarray
    """(n_paths,) int32, number of reflections; 0 is the direct sound."""
    length: np.ndarray
    """(n_paths,) float64, m."""
    emission: np.ndarray
    """(n_paths, 8) float64, emission of the source along the path: squared pressure re its level, times the squared
    length. For a hang or stack it includes the near field."""
    events: np.ndarray
    """(n_paths, 24) uint16, 3 * patch + event, from the receiver's end."""
    n_events: np.ndarray
    """(n_paths,) int32."""
    pressure: np.ndarray | None = None
    """(n_paths, n_lines) complex128, the same as complex pressure on the lines of the bands in which sources add up in
    phase; None for a source that does not."""


def mirror_sequences(n_mirrors: int, order: int) -> np.ndarray:
    """(n, 3) int32, all sequences of up to `order` mirrors in which none follows itself, padded with -1."""
    none = -np.ones((1, 3), dtype=np.int32)
    by_order = [none]
    for k in range(order):
        last = by_order[-1]
        longer = np.repeat(last, n_mirrors, axis=0)
        longer[:, k] = np.tile(np.arange(n_mirrors, dtype=np.int32), len(last))
        if k > 0:
            longer = longer[longer[:, k] != longer[:, k - 1]]
        by_order.append(longer)
    return np.concatenate(by_order)


def image_positions(source: np.ndarray, planes: np.ndarray, sequences: np.ndarray) -> np.ndarray:
    """(n, 4, 3): the source, and its images after each reflection of each sequence."""
    images = np.repeat(source[None, None], len(sequences), axis=0).repeat(4, axis=1)
    for k in range(3):
        is_reflected = sequences[:, k] >= 0
        plane = planes[sequences[is_reflected, k]]
        before = images[is_reflected, k]
        distance = np.einsum("ij,ij->i", plane[:, :3], before) + plane[:, 3]
        images[is_reflected, k + 1] = before - 2 * distance[:, None] * plane[:, :3]
    return images


def find_image_paths(
    scene: Scene,
    order: int,
    max_length: float,
    threads: int = 1,
    geometry: Geometry | None = None,
    sources: Sequence[int] | None = None,
) -> tuple[ImagePaths, ...]:
    """All direct and early specular paths, one record per source (by default for all).

    Parameters
    ----------
    order : int
        Largest number of reflections, 0 to 3.
    max_length : float
        m; longer paths are omitted.
    """
    geometry = geometry or pack_geometry(scene.surfaces)
    planes, position = scene.mirror_planes, scene.receivers.position
    lower, upper = _mirror_boxes(scene)
    sequences = mirror_sequences(len(planes), order)
    found_paths = []
    with ThreadPoolExecutor(threads) as pool:
        for source in range(len(scene.sources.names)) if sources is None else sources:
            search = Search(
                planes, lower, upper, sequences, (sequences >= 0).sum(axis=1).astype(np.int32),
                image_positions(scene.sources.position[source], planes, sequences), float(max_length),
                np.array([patch.is_sheet for patch in scene.patches]),
            )  # fmt: skip

            def paths_from(start: int, search: Search = search) -> tuple[np.ndarray, ...]:
                return _search(position[start : start + _CHUNK], start, search, geometry)

            parts = list(pool.map(paths_from, range(0, len(position), _CHUNK)))
            receiver, path_order, length, direction, events, n_events = (np.concatenate(p) for p in zip(*parts))
            emission, pressure = source_amplitudes(scene.sources, source, direction, length, scene.speed_of_sound)
            found_paths.append(ImagePaths(source, receiver, path_order, length, emission, events, n_events, pressure))
    return tuple(found_paths)


def _mirror_boxes(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """(n_mirrors, 3) twice, m: bounding boxes of the primitives of each mirror plane, empty where it has none."""
    n = len(scene.mirror_planes)
    lower, upper = np.full((n, 3), np.inf), np.full((n, 3), -np.inf)
    corners = corners_of(scene.surfaces)
    for m in range(n):
        own = corners[:, scene.surfaces.mirror == m].reshape(-1, 3)
        if len(own):
            lower[m], upper[m] = own.min(axis=0) - 1e-3, own.max(axis=0) + 1e-3
    return lower, upper


def _search(position: np.ndarray, first: int, search: Search, geometry: Geometry) -> tuple[np.ndarray, ...]:
    """Paths to some receivers (n, 3), numbered from `first`, as in `PathArrays`."""
    n_places, scratch = 64 * len(position), new_scratch()
    while True:
        paths = PathArrays(
            np.empty(n_places, np.int32), np.empty(n_places, np.int32), np.empty(n_places), np.empty((n_places, 3)),
            np.zeros((n_places, MAX_EVENTS), np.uint16), np.empty(n_places, np.int32),
        )  # fmt: skip
        n = find_paths(position, first, search, geometry, paths, scratch)
        if n >= 0:
            return tuple(part[:n] for part in paths)
        n_places *= 4


@dataclass(frozen=True)
class EarlySums:
    """Energy of direct sound and image sources, as `EnergyResponse` takes it."""

    first: np.ndarray
    time: np.ndarray
    energy: np.ndarray
    direct: np.ndarray
    modulation: np.ndarray

    @property
    def total(self) -> np.ndarray:
        """(n_receivers, n_scenarios, 8)."""
        none = np.zeros((1, *self.energy.shape[1:]))
        until = np.concatenate([none, self.energy.cumsum(axis=0, dtype=np.float64)])
        return until[self.first[1:]] - until[self.first[:-1]]


def sum_image_paths(
    scene: Scene,
    paths: Sequence[ImagePaths],
    edges: np.ndarray,
    frequencies: np.ndarray,
    scenarios: Selection,
    receivers: slice,
) -> EarlySums:
    """Weight image paths for one block of scenarios and receivers; shapes as in EnergyResponse."""
    chosen = np.arange(scene.n_scenarios)[scenarios]
    start = earliest_arrival(scene, chosen[0], receivers)
    factors = scene.factors[:, :, chosen]
    table = np.ascontiguousarray(factors.reshape(-1, *factors.shape[2:]))
    n_scenarios, n_receivers = table.shape[1], len(start)
    seat = range(scene.receivers.n_receivers)[receivers].start
    first, places = _in_order(scene, paths, seat, n_receivers)
    time, energy = np.empty((first[-1], 8)), zeros((int(first[-1]), n_scenarios, 8), float)
    direct = np.zeros((n_receivers, n_scenarios, 8))
    modulation = zeros((n_receivers, len(frequencies), n_scenarios, 8, 2), float)
    together = interference(scene, paths, scenarios, receivers)
    for p, place in zip(paths, places, strict=True):
        sum_arrivals(
            p.receiver, p.length, p.order, p.emission, p.events, p.n_events, table, together[p.source],
            np.ascontiguousarray(source_gain(scene.sources, p.source)[chosen]), scene.air_attenuation,
            scene.sources.delay[p.source], scene.speed_of_sound, start, float(edges[-1]), frequencies, seat, place,
            time, energy, direct, modulation,
        )  # fmt: skip
    return EarlySums(first, time, energy, direct, modulation[..., 0] + 1j * modulation[..., 1])


def _in_order(
    scene: Scene, paths: Sequence[ImagePaths], start: int, n_receivers: int
) -> tuple[np.ndarray, list[np.ndarray]]:
    """Positions of the arrivals at some receivers in the list of arrivals, ordered by seat and time.

    Returns
    -------
    (n_receivers + 1,) int64, position of the first arrival of each seat; and for each source (n_paths,) int64, the
    position of each of its paths, arbitrary for paths to other receivers
    """
    receiver = np.concatenate([p.receiver for p in paths]).astype(np.int64) - start
    arrival = np.concatenate([p.length / scene.speed_of_sound + scene.sources.delay[p.source] for p in paths])
    here = np.flatnonzero((receiver >= 0) & (receiver < n_receivers))
    order = here[np.lexsort((arrival[here], receiver[here]))]
    place = np.zeros(len(receiver), np.int64)
    place[order] = np.arange(len(order))
    first = np.concatenate([[0], np.bincount(receiver[here], minlength=n_receivers).cumsum()])
    return first, np.split(place, np.cumsum([len(p.receiver) for p in paths])[:-1])
