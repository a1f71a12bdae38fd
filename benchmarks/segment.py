"""Time of a path segment: tracing with and without seats, its parts, and the replay for many scenarios.

Processor time of one thread, on which other work on the machine has little influence. The parts are measured on the
rays of the trace themselves: their origins and directions are computed again from the log, which also verifies that log
and rays correspond.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
from cases import scene as hall_scene
from harness import arguments, best_times, disagree, finish, table
from numba import njit

from roomsim.scene.scene import Scene
from roomsim.tracing._closest import MISS, closest_hit, find_hits, new_stack
from roomsim.tracing._paths import END_OF_RAY, lambert_direction
from roomsim.tracing._random import SURFACE, ray_key, uniform
from roomsim.tracing.replay import Replay, time_bins
from roomsim.tracing.sampling_plan import sampling_plan
from roomsim.tracing.trace import Tracer

N_SEATS = 600
DURATION = 3.0
"""s."""
SCENARIOS = (1, 4, 16, 64)
BLOCK = 64
"""Scenarios weighed at a time, as the engine does."""
SEED = 1


def out_of_the_way(scene: Scene) -> Scene:
    """The scene with a single seat under the floor, as far from the source as the farthest seat was: paths
    stay the same to the last bit, and no segment comes near it."""
    source = scene.sources.position[0]
    far = np.linalg.norm(scene.receivers.position - source, axis=1).max()
    seat = (source - (0.0, 0.0, far))[None]
    one = {name: getattr(scene.receivers, name)[:1] for name in ("area", "row", "column", "cell")}
    return replace(scene, receivers=replace(scene.receivers, position=seat, **one))


@njit
def rays_of_log(seed, first_ray, origin, directions, geometry, ray_end, event, origins, towards, start, stack):
    """Origin, direction and primitive left of every segment of a log, by following its events. Returns the
    number of segments whose hit does not lie on the patch that the log names."""
    segment, wrong = 0, 0
    for ray in range(len(ray_end)):
        key = ray_key(seed, SURFACE, 0, first_ray + ray)
        ox, oy, oz = origin[0], origin[1], origin[2]
        dx, dy, dz = directions[ray, 0], directions[ray, 1], directions[ray, 2]
        skip = np.int32(-1)
        bounce = 0
        while segment < ray_end[ray]:
            origins[segment, 0], origins[segment, 1], origins[segment, 2] = ox, oy, oz
            towards[segment, 0], towards[segment, 1], towards[segment, 2] = dx, dy, dz
            start[segment] = skip
            t, hit = closest_hit(ox, oy, oz, dx, dy, dz, skip, MISS, geometry, stack)
            e = event[segment]
            segment += 1
            if e == END_OF_RAY or hit < 0:
                continue
            wrong += geometry.patch[hit] != e // 3
            ox, oy, oz = ox + t * dx, oy + t * dy, oz + t * dz
            skip = hit
            nx, ny, nz = geometry.normals[hit, 0], geometry.normals[hit, 1], geometry.normals[hit, 2]
            along = dx * nx + dy * ny + dz * nz
            if e % 3 == 0:
                twice = np.float32(2.0) * along
                dx, dy, dz = dx - twice * nx, dy - twice * ny, dz - twice * nz
            elif e % 3 == 1:
                if along > 0:
                    nx, ny, nz = -nx, -ny, -nz
                u1, u2 = uniform(key, 4 * bounce + 1), uniform(key, 4 * bounce + 2)
                dx, dy, dz = lambert_direction(nx, ny, nz, u1, u2)
            bounce += 1
    return wrong


def main() -> None:
    options = arguments(__doc__)
    n_rays = 4096
    turns = 4 if options.quick else 12
    scene = hall_scene(500, N_SEATS, max(SCENARIOS))
    one = replace(
        scene, factors=scene.factors[:, :, :1], scenarios=scene.scenarios[:1], noise=scene.noise[:1],
        sources=replace(scene.sources, active=scene.sources.active[:, :1]), compare_with=scene.compare_with[:1],
    )  # fmt: skip
    plan = sampling_plan(one)
    seated, empty = (Tracer(s, plan, SEED, 0, DURATION) for s in (one, out_of_the_way(one)))
    log, bare = seated.trace(0, 0, n_rays), empty.trace(0, 0, n_rays)
    if not np.array_equal(log.event, bare.event) or len(bare.receiver):
        disagree("paths with and without seats")

    n = log.n_segments
    directions = seated._emission[0].draw(SEED, 0, 0, n_rays)[0]
    origins, towards = np.empty((n, 3), np.float32), np.empty((n, 3), np.float32)
    start = np.empty(n, np.int32)
    geometry = seated.geometry
    source = one.sources.position[0].astype(np.float32)
    wrong = rays_of_log(
        SEED, 0, source, directions, geometry, log.ray_end, log.event, origins, towards, start, new_stack()
    )
    # The two programs round differently in the last bit; a ray that passes an edge on its other side goes its
    # own way from there, and only then. With the events of other rays four segments of five would be wrong.
    if wrong > 1e-3 * n:
        disagree(f"{wrong} of {n} segments do not end on the patch that the log names")

    spent = best_times(
        turns, time.thread_time,
        seated=lambda: seated.trace(0, 0, n_rays),
        empty=lambda: empty.trace(0, 0, n_rays),
        intersect=lambda: find_hits(origins, towards, geometry, start),
        emission=lambda: seated._emission[0].draw(SEED, 0, 0, n_rays),
    )  # fmt: skip
    per = {name: seconds / n * 1e9 for name, seconds in spent.items()}
    deposits = len(log.receiver) / n
    rows = [
        [f"traced with {N_SEATS} seats", per["seated"]],
        ["traced without seats", per["empty"]],
        ["  of this: closest hits", per["intersect"]],
        ["  of this: emission", per["emission"]],
        ["  of this: random numbers, reflection, log", per["empty"] - per["intersect"] - per["emission"]],
        [f"  seats ({deposits:.2f} deposits a segment)", per["seated"] - per["empty"]],
    ]
    ratios = {
        "traced_with_seats_ns": per["seated"],
        "traced_without_seats_ns": per["empty"],
        "seats_cost": per["seated"] / per["empty"],
    }

    edges = time_bins(DURATION)
    many = sampling_plan(scene)
    traced = Tracer(scene, many, SEED, 0, DURATION)
    logs = [traced.trace(0, batch, n_rays) for batch in range(2 if options.quick else 4)]
    n_replayed = sum(one.n_segments for one in logs)

    def replay(n_scenarios: int) -> np.ndarray:
        """Energy (n_receivers, 8) of the first scenario."""
        for first in range(0, n_scenarios, BLOCK):
            block = slice(first, min(first + BLOCK, n_scenarios))
            weigher = Replay(scene, many, edges, block, slice(0, scene.receivers.n_receivers))
            late = weigher.late(1, len(logs), lambda _: logs)
            if first == 0:
                energy = late[0, :, :, 0].sum(axis=1)
        return energy

    if not np.allclose(replay(1), replay(64), rtol=1e-5):
        disagree("a scenario evaluated separately and with others")
    # `late` works in a thread of its own, and waits for it: process time is that thread's.
    contenders = {str(k): (lambda k=k: replay(k)) for k in SCENARIOS}
    spent = best_times(turns, time.process_time, **contenders, again=lambda: traced.trace(0, 0, n_rays))
    again = spent.pop("again") / logs[0].n_segments * 1e9
    for k, seconds in spent.items():
        each = seconds / n_replayed * 1e9
        rows.append([f"replayed for {k} scenarios", each])
        ratios[f"replay_{k}_over_tracing"] = int(k) * again / each
        ratios[f"replay_{k}_ns"] = each
    table(["a segment", "ns a thread"], rows)
    print(f"{n_rays} rays, {n / n_rays:.0f} segments each; replay in blocks of {BLOCK} scenarios")
    finish(ratios)


if __name__ == "__main__":
    main()
