"""Ways of gathering energy at seats that were tried against the engine's: they live here, to be measured again.

Kernels without a log: energies of one scenario go straight into a histogram. All of them follow the same rays (the
engine's random numbers, hits and reflections) and differ in how a seat gets its energy.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from roomsim._jit import KERNEL_OPTIONS
from roomsim.scene.scene import Scene
from roomsim.tracing._closest import MISS, STACK_SIZE, closest_hit
from roomsim.tracing._paths import lambert_direction
from roomsim.tracing._plain import WIDTH
from roomsim.tracing._random import SURFACE, ray_key, uniform
from roomsim.tracing._seats import CROSSING_FLOATS, MAX_CROSSING, deposit, keep_crossing
from roomsim.tracing.emission import Emission
from roomsim.tracing.geometry import pack_geometry
from roomsim.tracing.replay import bins_of_ticks, earliest_arrival, source_gain, time_bins
from roomsim.tracing.seats import build_tree

SPHERES, CONNECTIONS, BOXES = 0, 1, 2
TICK = np.float32(0.005)
_ROULETTE_BELOW = np.float32(0.01)


class Boxes(NamedTuple):
    """Cells that tile the audience layer without gaps, one to a seat."""

    low: np.ndarray
    """(3,) float32, m."""
    size: np.ndarray
    """(3,) float32, m, of one cell."""
    seat: np.ndarray
    """(n_x, n_y) int32, -1 where no seat is."""


@njit(**KERNEL_OPTIONS)
def _boxes_along(ox, oy, oz, dx, dy, dz, length, travelled, boxes, receiver, path_length, chord):
    """Track length in each cell of the layer that a segment passes; returns the number of cells."""
    n_x, n_y = boxes.seat.shape
    begin, end = np.float32(0.0), length
    position, direction = (ox, oy, oz), (dx, dy, dz)
    for k in range(3):
        size = boxes.size[k] * (n_x if k == 0 else (n_y if k == 1 else 1))
        d = direction[k] if abs(direction[k]) > 1e-12 else np.float32(1e-12)
        a, b = (boxes.low[k] - position[k]) / d, (boxes.low[k] + size - position[k]) / d
        begin, end = max(begin, min(a, b)), min(end, max(a, b))
    n = 0
    if not begin < end:
        return n
    inverse_x = 1 / (dx if abs(dx) > 1e-12 else np.float32(1e-12))
    inverse_y = 1 / (dy if abs(dy) > 1e-12 else np.float32(1e-12))
    cx = min(max(int((ox + begin * dx - boxes.low[0]) / boxes.size[0]), 0), n_x - 1)
    cy = min(max(int((oy + begin * dy - boxes.low[1]) / boxes.size[1]), 0), n_y - 1)
    step_x, step_y = (1 if inverse_x > 0 else -1), (1 if inverse_y > 0 else -1)
    next_x = (boxes.low[0] + (cx + (step_x > 0)) * boxes.size[0] - ox) * inverse_x
    next_y = (boxes.low[1] + (cy + (step_y > 0)) * boxes.size[1] - oy) * inverse_y
    at = begin
    while True:
        until = min(end, min(next_x, next_y))
        seat = boxes.seat[cx, cy]
        if seat >= 0 and until > at:
            receiver[n] = seat
            path_length[n] = travelled + np.float32(0.5) * (at + until)
            chord[n] = (until - at) / (boxes.size[0] * boxes.size[1] * boxes.size[2])
            n += 1
        at = until
        if at >= end:
            return n
        if next_x < next_y:
            cx += step_x
            next_x += abs(boxes.size[0] * inverse_x)
            if cx < 0 or cx >= n_x:
                return n
        else:
            cy += step_y
            next_y += abs(boxes.size[1] * inverse_y)
            if cy < 0 or cy >= n_y:
                return n


@njit(**KERNEL_OPTIONS)
def _add_arrivals(
    late, first, last, weight, receiver, path_length, chord, air, speed_of_sound, time_zero, bin_of_tick
):  # fmt: skip
    """Add to `late` what the deposits from `first` to before `last` bring, weight (8,) float32."""
    for i in range(first, last):
        seat = receiver[i]
        tick = np.int64(max(path_length[i] / speed_of_sound - time_zero[seat], np.float32(0.0)) / TICK)
        if tick < len(bin_of_tick):
            for b in range(8):
                arriving = weight[b] * chord[i] * math.exp(-air[b] * path_length[i])
                late[seat, bin_of_tick[tick], b] += arriving


@njit(**KERNEL_OPTIONS)
def _add_crossing(
    late, n_crossing, crossing, crossing_weight, place, n_passed, seats, pairs, found, spans,
    receiver, path_length, chord, air, speed_of_sound, time_zero, bin_of_tick,
):  # fmt: skip
    """Add to `late` what the segments that wait bring to the spheres that they pass."""
    deposit(
        n_crossing, crossing, place, seats, pairs, found, spans, 0, n_passed, receiver, path_length, chord
    )
    first = 0
    for s in range(n_crossing):
        last = first + n_passed[s]
        _add_arrivals(
            late, first, last, crossing_weight[s], receiver, path_length, chord,
            air, speed_of_sound, time_zero, bin_of_tick,
        )  # fmt: skip
        first = last


@njit(**KERNEL_OPTIONS)
def gather(
    how, late, seed, source, first_ray, origin, directions, emission, geometry, seats, boxes, position, factors,
    probability, staying, keeping, max_length, air, speed_of_sound, time_zero, bin_of_tick,
):  # fmt: skip
    """Add the energy of one batch to `late` (n_receivers, n_bins, 8) float32.

    how: SPHERES or BOXES along every segment but the direct one; CONNECTIONS: after a diffuse reflection each seat
    gets what Lambert's law sends it (with spheres on the segments that follow a specular one, which no connection
    can reach). position (n_receivers, 3) float32. factors (n_patches, 3, 8), probability (n_patches, 3) float32.
    """
    nodes, children, packs, primitives = (
        geometry.nodes,
        geometry.children,
        geometry.packs,
        geometry.primitives,
    )
    stack, entry = np.empty(STACK_SIZE, np.int32), np.empty(STACK_SIZE, np.float32)
    lanes = np.empty(2 * WIDTH, np.float32)
    n_seats = len(position)
    layer = seats.layer[0], seats.layer[1]
    room = MAX_CROSSING * len(seats.member)
    crossing = np.empty((MAX_CROSSING, CROSSING_FLOATS), np.float32)
    place, n_passed = np.empty(MAX_CROSSING, np.int64), np.empty(MAX_CROSSING, np.int64)
    crossing_weight = np.empty((MAX_CROSSING, 8), np.float32)
    pairs, found = np.empty(room + WIDTH, np.int32), np.empty(room + WIDTH, np.int32)
    spans = np.empty(2 * room, np.float32)
    receiver = np.empty(room, np.uint32)
    path_length, chord = np.empty(room, np.float32), np.empty(room, np.float32)
    weight = np.empty(8, np.float32)
    last_tick = len(bin_of_tick) - 1
    for ray in range(len(directions)):
        key = ray_key(seed, SURFACE, source, first_ray + ray)
        ox, oy, oz = origin[0], origin[1], origin[2]
        dx, dy, dz = directions[ray, 0], directions[ray, 1], directions[ray, 2]
        for b in range(8):
            weight[b] = emission[ray, b]
        skip = np.int32(-1)
        travelled, survival = np.float32(0.0), np.float32(1.0)
        last_diffuse = False
        n_crossing = 0
        for bounce in range(4096):
            t, hit = closest_hit(
                ox, oy, oz, dx, dy, dz, skip, MISS, nodes, children, packs, primitives, stack, entry, lanes
            )  # fmt: skip
            if hit < 0:
                break
            if how == BOXES and bounce > 0:
                n = _boxes_along(ox, oy, oz, dx, dy, dz, t, travelled, boxes, receiver, path_length, chord)
                _add_arrivals(
                    late, 0, n, weight, receiver, path_length, chord, air, speed_of_sound, time_zero, bin_of_tick
                )  # fmt: skip
            elif how != BOXES:
                if n_crossing == MAX_CROSSING:
                    _add_crossing(
                        late, n_crossing, crossing, crossing_weight, place, n_passed, seats, pairs, found, spans,
                        receiver, path_length, chord, air, speed_of_sound, time_zero, bin_of_tick,
                    )  # fmt: skip
                    n_crossing = 0
                counts = bounce > 0 and (how == SPHERES or not last_diffuse)
                for b in range(8):
                    crossing_weight[n_crossing, b] = weight[b]
                n_passed[n_crossing] = 0
                n_crossing = keep_crossing(
                    n_crossing, crossing, place, layer, ox, oy, oz, dx, dy, dz, t, travelled, n_crossing, counts
                )  # fmt: skip
            travelled += t
            ox, oy, oz = ox + t * dx, oy + t * dy, oz + t * dz
            skip = hit
            patch = geometry.patch[hit]
            nx, ny, nz = geometry.normals[hit, 0], geometry.normals[hit, 1], geometry.normals[hit, 2]
            along = dx * nx + dy * ny + dz * nz
            if along > 0:
                nx, ny, nz, along = -nx, -ny, -nz, -along
            if how == CONNECTIONS:
                for seat in range(n_seats):
                    rx, ry, rz = position[seat, 0] - ox, position[seat, 1] - oy, position[seat, 2] - oz
                    squared = rx * rx + ry * ry + rz * rz
                    distance = math.sqrt(squared)
                    rx, ry, rz = rx / distance, ry / distance, rz / distance
                    cosine = rx * nx + ry * ny + rz * nz
                    if cosine <= 0:
                        continue
                    free, _ = closest_hit(
                        ox, oy, oz, rx, ry, rz, skip, distance, nodes, children, packs, primitives, stack, entry, lanes
                    )  # fmt: skip
                    if free < distance * np.float32(0.9999):
                        continue
                    path = travelled + distance
                    tick = np.int64(max(path / speed_of_sound - time_zero[seat], np.float32(0.0)) / TICK)
                    if tick <= last_tick:
                        share = cosine / (np.float32(math.pi) * squared)
                        for b in range(8):
                            sent = weight[b] * factors[patch, 1, b] * share * math.exp(-air[b] * path)
                            late[seat, bin_of_tick[tick], b] += sent
            survival *= staying[patch]
            gained = np.float32(1.0)
            if travelled > max_length:
                break
            if survival < _ROULETTE_BELOW:
                if uniform(key, 4 * bounce + 3) >= keeping[patch]:
                    break
                gained = 1 / keeping[patch]
            event = 0 if uniform(key, 4 * bounce) < probability[patch, 0] else 1
            for b in range(8):
                weight[b] *= factors[patch, event, b] * gained / probability[patch, event]
            last_diffuse = event == 1
            if event == 0:
                twice = np.float32(2.0) * along
                dx, dy, dz = dx - twice * nx, dy - twice * ny, dz - twice * nz
            else:
                u1, u2 = uniform(key, 4 * bounce + 1), uniform(key, 4 * bounce + 2)
                dx, dy, dz = lambert_direction(nx, ny, nz, u1, u2)
        _add_crossing(
            late, n_crossing, crossing, crossing_weight, place, n_passed, seats, pairs, found, spans,
            receiver, path_length, chord, air, speed_of_sound, time_zero, bin_of_tick,
        )  # fmt: skip


class Gatherer:
    """Energies of the first scenario of a scene without free-hanging cloth, gathered in one of the ways above."""

    def __init__(self, scene: Scene, plan, duration: float, seed: int):
        self.scene, self.plan, self.seed = scene, plan, seed
        self.edges = time_bins(duration)
        self._emission = Emission(scene.sources, 0)
        self._geometry = pack_geometry(scene.surfaces)
        receivers = scene.receivers
        self._seats = build_tree(receivers, np.full(receivers.n_receivers, receivers.radius))
        self._boxes = _boxes_of(receivers.position)
        self._zero = np.ascontiguousarray(earliest_arrival(scene, 0)[:, 0], np.float32)

    def batch(self, how: int, late: np.ndarray, batch: int, n_rays: int, share: float) -> None:
        """Add a batch of rays, whose energies are multiplied by `share`, to (n_receivers, n_bins, 8) float32."""
        scene, plan = self.scene, self.plan
        directions, emission = self._emission.draw(self.seed, 0, batch, n_rays)
        emission = emission * (source_gain(scene.sources, 0)[0] * share).astype(np.float32)
        gather(
            how, late, self.seed, 0, batch * n_rays, scene.sources.position[0].astype(np.float32), directions,
            emission.astype(np.float32), self._geometry, self._seats, self._boxes,
            scene.receivers.position.astype(np.float32), scene.factors[:, :, 0].astype(np.float32),
            plan.probability[0].astype(np.float32), plan.staying, np.sqrt(plan.staying),
            np.float32(self.edges[-1] * scene.speed_of_sound + 80.0), scene.air_attenuation.astype(np.float32),
            np.float32(scene.speed_of_sound), self._zero, bins_of_ticks(self.edges),
        )  # fmt: skip


def _boxes_of(position: np.ndarray) -> Boxes:
    """Cells about seats that stand on a plan grid, 1 m high."""
    x, y = np.unique(position[:, 0].round(6)), np.unique(position[:, 1].round(6))
    size = np.array([np.diff(x).mean() if len(x) > 1 else 1.0, np.diff(y).mean() if len(y) > 1 else 1.0, 1.0])
    low = np.array([x[0], y[0], position[0, 2]]) - size / 2
    seat = np.full((len(x), len(y)), -1, np.int32)
    column = ((position[:, :2] - low[:2]) / size[:2]).astype(int)
    seat[column[:, 0], column[:, 1]] = np.arange(len(position))
    return Boxes(low.astype(np.float32), size.astype(np.float32), seat)


def volume_of_boxes(scene: Scene) -> float:
    """m3 of one cell."""
    return float(np.prod(_boxes_of(scene.receivers.position).size))
