"""Tracing rays through the venue and recording the surfaces and seats that they meet."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from .._jit import KERNEL_OPTIONS, UNCOUNTED_OPTIONS, njit
from ..scene.scene import DIFFUSE, SPECULAR, TRANSMITTED
from ._closest import MISS, WIDTH, Stack, closest_hit, keep_larger, new_stack, scale_and_largest
from ._plain import PAIR
from ._random import _GOLDEN, _S40, _TO_UNIT, SHEET, SURFACE, mix, ray_key, uniform
from ._seats import MAX_CROSSING, Crossings, add_crossing, deposit, new_crossings
from .paths import BRANCHED, END_OF_RAY, MAX_BRANCHES

N_LOST_RECORDED = 64
MAX_HITS = 4096
"""Of a path: 10 s with 0.8 m between hits."""
_TWO_PI = np.float32(2.0 * math.pi)
_ONE = np.float32(1.0)
_ZERO = np.float32(0.0)
_PULL_BACK = np.float32(1e-3)


class Rays(NamedTuple):
    """The rays of a batch as their source emits them."""

    seed: int
    source: int
    first: int
    """Index of the first ray, counted over all batches of the source."""
    origin: np.ndarray
    """(3,) float32, m."""
    directions: np.ndarray
    """(n, 3) float32."""


class Rules(NamedTuple):
    """How events are drawn and when rays end; see `SamplingPlan`."""

    share_until: np.ndarray
    """(n_components,) float32, cumulative shares of rays."""
    threshold: np.ndarray
    """(n_components, n_patches, 2) float32: a ray is reflected specularly below the first, diffusely below the second,
    and transmitted above."""
    sheet: np.ndarray
    """(n_patches,) int32."""
    sent_energy: np.ndarray
    """(n_sheets * 2 * n_states,) float32."""
    initial_state: np.ndarray
    """(n_states,) float32."""
    energy_kept: np.ndarray
    """(n_patches,) float32."""
    initial_density: np.ndarray
    """(16,) float32."""
    density_kept: np.ndarray
    """(n_patches * 16,) float32."""
    image_order: int
    """Specular paths off mirrors up to this order are left to the image sources."""
    max_length: np.float32
    """m, at which rays end."""


class Record(NamedTuple):
    """The record of the rays, as in `PathLog`. The arrays are longer than needed; the caller enlarges them."""

    ray_end: np.ndarray
    component: np.ndarray
    event: np.ndarray
    n_deposits: np.ndarray
    share: np.ndarray
    receiver: np.ndarray
    path_length: np.ndarray
    chord: np.ndarray
    lost_position: np.ndarray
    """(N_LOST_RECORDED, 3) float32, of the first rays that were lost."""
    lost_direction: np.ndarray
    lost_survival: np.ndarray
    """(n_rays,) float32, share of energy with which a ray was lost, else 0."""
    totals: np.ndarray
    """(4,) int64: segments, deposits, lost rays, shares."""


class Place(NamedTuple):
    """Position and direction of a ray."""

    position: tuple[float, float, float]
    direction: tuple[float, float, float]
    before: tuple[float, float, float]
    """A point of the path shortly before the position."""
    primitive: int
    """On which the ray is, -1 at the source."""


class Course(NamedTuple):
    """State of a ray so far."""

    travelled: float
    survival: float
    density: float
    n_hits: int
    n_specular: int
    is_image: bool
    """All events so far are those of a path that is left to the image sources."""


class Address(NamedTuple):
    """Address of the next random numbers. Hits at surfaces and at sheets are counted separately, so that a sheet that a
    ray passes does not change the numbers that follow."""

    surface_key: int
    sheet_key: int
    n_bounces: int
    n_sheets: int


class Waiting(NamedTuple):
    """Branches that wait: the state in which the ray reached the sheet, and the state of the branch there.

    There is one more slot than the number of branches that may wait, for a branch that is resumed at once because
    nothing was transmitted.
    """

    numbers: np.ndarray
    """(MAX_BRANCHES + 1, 10) float32: position, direction, length, survival, density, share."""
    counts: np.ndarray
    """(MAX_BRANCHES + 1, 4) int64: primitive, hits, specular reflections, whether it is an image path."""
    key: np.ndarray
    state: np.ndarray
    densities: np.ndarray


class Scratch(NamedTuple):
    """Working memory of `trace_rays`."""

    stack: Stack
    crossings: Crossings
    waiting: Waiting
    state: np.ndarray
    """(n_states,) float32: energy that each state requires to be followed, relative to the ray's."""
    densities: np.ndarray
    """(16,) float32: required densities, which the Russian roulette compares."""


def new_scratch(seats, n_states):
    """Working memory for one call of `trace_rays` at a time."""
    n = MAX_BRANCHES + 1
    waiting = Waiting(
        np.empty((n, 10), np.float32), np.empty((n, 4), np.int64), np.empty(n, np.uint64),
        np.empty((n, n_states), np.float32), np.empty((n, PAIR), np.float32),
    )  # fmt: skip
    return Scratch(
        new_stack(), new_crossings(seats), waiting, np.empty(n_states, np.float32), np.empty(PAIR, np.float32)
    )


@njit(inline="always", **KERNEL_OPTIONS)
def lambert_direction(nx, ny, nz, u1, u2):
    """Unit direction about the unit normal with density cos / pi (Lambert), from two uniform numbers.

    Malley's method; the frame about the normal is that of Duff et al., Building an orthonormal basis, revisited,
    Journal of Computer Graphics Techniques 6 (2017), 1.
    """
    sign = _ONE if nz >= _ZERO else -_ONE
    a = -_ONE / (sign + nz)
    b = nx * ny * a
    radius = math.sqrt(u1)
    angle = _TWO_PI * u2
    x, y, z = radius * math.cos(angle), radius * math.sin(angle), math.sqrt(_ONE - u1)
    dx = x * (_ONE + sign * nx * nx * a) + y * b + z * nx
    dy = x * (sign * b) + y * (sign + ny * ny * a) + z * ny
    dz = x * (-sign * nx) + y * (-ny) + z * nz
    return dx, dy, dz


@njit(inline="always", **KERNEL_OPTIONS)
def copy_row(target, source):
    """target[:] = source, for short rows of equal length."""
    for k in range(len(target)):
        target[k] = source[k]


@njit(inline="always", **KERNEL_OPTIONS)
def along(position, direction, distance):
    """The point at a distance from a position."""
    return (
        position[0] + distance * direction[0],
        position[1] + distance * direction[1],
        position[2] + distance * direction[2],
    )


@njit(inline="always", **KERNEL_OPTIONS)
def begin_ray(ray, rays, rules, scratch):
    """(place, course, address) of a ray at its source."""
    copy_row(scratch.state, rules.initial_state)
    copy_row(scratch.densities, rules.initial_density)
    number = rays.first + ray
    origin = (rays.origin[0], rays.origin[1], rays.origin[2])
    direction = (rays.directions[ray, 0], rays.directions[ray, 1], rays.directions[ray, 2])
    keys = ray_key(rays.seed, SURFACE, rays.source, number), ray_key(rays.seed, SHEET, rays.source, number)
    return (
        Place(origin, direction, origin, np.int32(-1)),
        Course(_ZERO, _ONE, _ONE, np.int64(0), np.int64(0), True),
        Address(keys[0], keys[1], np.int64(0), np.int64(0)),
    )


@njit(inline="always", **KERNEL_OPTIONS)
def draw_component(number, share_until):
    """Component of a ray, by its number. A Weyl sequence gives each component its share of any run of rays."""
    position = np.float32(np.int64((np.uint64(number) * _GOLDEN) >> _S40)) * _TO_UNIT
    drawn = 0
    while drawn < len(share_until) - 1 and position >= share_until[drawn]:
        drawn += 1
    return drawn


@njit(inline="always", **KERNEL_OPTIONS)
def find_hit(place, geometry, scratch):
    """(place from which the hit was searched, distance, primitive or -1)."""
    position, direction = place.position, place.direction
    for attempt in range(2):
        distance, hit = closest_hit(
            position[0], position[1], position[2], direction[0], direction[1], direction[2], place.primitive, MISS,
            geometry, scratch.stack,
        )  # fmt: skip
        if hit >= 0 or attempt == 1:
            break
        # At a corner, rounding can put the start a few micrometres behind the next wall: try once more from a point
        # shortly before it.
        position = place.before
    return Place(position, direction, place.before, place.primitive), distance, hit


@njit(inline="always", **KERNEL_OPTIONS)
def record_lost_ray(ray, place, course, record):
    """Record that a ray, or one of its branches, left through a gap in the mesh."""
    lost = record.totals[2]
    if lost < N_LOST_RECORDED:
        for axis in range(3):
            record.lost_position[lost, axis] = place.position[axis]
            record.lost_direction[lost, axis] = place.direction[axis]
    record.totals[2] += 1
    record.lost_survival[ray] = max(record.lost_survival[ray], course.survival / course.density)


@njit(inline="always", **KERNEL_OPTIONS)
def go_to_hit(place, course, distance, hit, energy_kept):
    """(place, course) at a hit."""
    position, direction = place.position, place.direction
    return (
        Place(along(position, direction, distance), direction, along(position, direction, distance - _PULL_BACK), hit),
        Course(
            course.travelled + distance, course.survival * energy_kept, course.density, course.n_hits + 1,
            course.n_specular, course.is_image,
        ),
    )  # fmt: skip


@njit(inline="always", **KERNEL_OPTIONS)
def play_roulette(course, at_sheet, patch, address, rules, densities):
    """(course with the density at which rays are followed after a hit, whether this one ends there).

    The density is the largest of those required, at most one; a ray continues with the share of it that remains.
    """
    density = min(_ONE, scale_and_largest(densities, rules.density_kept, np.int64(patch) * PAIR))
    ends = False
    if density < course.density:
        if at_sheet:
            u = uniform(address.sheet_key, 2 * address.n_sheets + 1)
        else:
            u = uniform(address.surface_key, 4 * address.n_bounces + 3)
        ends = u * course.density >= density
    course = Course(
        course.travelled, course.survival, density, course.n_hits, course.n_specular, course.is_image
    )  # fmt: skip
    return course, ends


@njit(inline="always", **KERNEL_OPTIONS)
def largest_product(state, sent_energy, start, lanes):
    """Largest of state[i] * sent_energy[start + i]; the number of states is a multiple of eight."""
    for k in range(WIDTH):
        lanes[k] = _ZERO
    for first in range(0, len(state), WIDTH):
        keep_larger(lanes, state, np.int64(first), sent_energy, start + first)
    largest = _ZERO
    for k in range(WIDTH):
        largest = max(largest, lanes[k])
    return largest


@njit(inline="always", **KERNEL_OPTIONS)
def meet_sheet(sheet, place, course, address, n_waiting, rules, scratch):
    """Draw whether a branch is transmitted through a sheet and whether one is reflected, which is then stored.

    Returns (address, mean number of transmitted branches, whether one is transmitted, whether one is reflected).
    """
    n_states, n_sheets = len(scratch.state), address.n_sheets + 1
    way = np.int64(sheet) * 2 * n_states
    through = largest_product(scratch.state, rules.sent_energy, way, scratch.stack.lanes)
    back = largest_product(scratch.state, rules.sent_energy, way + n_states, scratch.stack.lanes)
    is_full = n_waiting == MAX_BRANCHES
    if is_full and through + back > _ONE:
        through, back = through / (through + back), back / (through + back)
    # Both from one random number: the number of branches is then as close to its mean as possible.
    u = uniform(address.sheet_key, 2 * address.n_sheets)
    goes_through = u < through
    comes_back = u >= _ONE - back and not (is_full and goes_through)
    if comes_back:
        # It has a separate key, whether or not another branch is transmitted.
        key = ray_key(address.sheet_key, SHEET, n_sheets, 0)
        store_branch(n_waiting, place, course, key, back, way + n_states, rules, scratch)
    if goes_through:
        inverse = _ONE / through
        for k in range(n_states):
            scratch.state[k] *= rules.sent_energy[way + k] * inverse
    address = Address(address.surface_key, address.sheet_key, address.n_bounces, n_sheets)
    return address, through, goes_through, comes_back


@njit(inline="always", **KERNEL_OPTIONS)
def store_branch(n, place, course, key, share, way, rules, scratch):
    """Store the branch reflected at a sheet in slot `n`; `way` is its index in `sent_energy`."""
    waiting = scratch.waiting
    for axis in range(3):
        waiting.numbers[n, axis] = place.position[axis]
        waiting.numbers[n, 3 + axis] = place.direction[axis]
    waiting.numbers[n, 6], waiting.numbers[n, 7] = course.travelled, course.survival
    waiting.numbers[n, 8], waiting.numbers[n, 9] = course.density, share
    waiting.counts[n, 0], waiting.counts[n, 1] = place.primitive, course.n_hits
    waiting.counts[n, 2], waiting.counts[n, 3] = course.n_specular, course.is_image
    waiting.key[n] = key
    inverse = _ONE / share
    for k in range(len(scratch.state)):
        waiting.state[n, k] = scratch.state[k] * rules.sent_energy[way + k] * inverse
    copy_row(waiting.densities[n], scratch.densities)


@njit(inline="always", **KERNEL_OPTIONS)
def resume(n, scratch):
    """(place, course, address, share) of the branch stored in slot `n`."""
    waiting = scratch.waiting
    numbers, counts = waiting.numbers, waiting.counts
    position = (numbers[n, 0], numbers[n, 1], numbers[n, 2])
    direction = (numbers[n, 3], numbers[n, 4], numbers[n, 5])
    copy_row(scratch.state, waiting.state[n])
    copy_row(scratch.densities, waiting.densities[n])
    key = waiting.key[n]
    return (
        Place(position, direction, along(position, direction, -_PULL_BACK), np.int32(counts[n, 0])),
        Course(numbers[n, 6], numbers[n, 7], numbers[n, 8], counts[n, 1], counts[n, 2], counts[n, 3] != 0),
        Address(key, mix(key + _GOLDEN), np.int64(0), np.int64(0)),
        numbers[n, 9],
    )


@njit(inline="always", **KERNEL_OPTIONS)
def draw_event(drawn, patch, place, course, address, rules, geometry):
    """(event at a surface, and place, course and address after it)."""
    dx, dy, dz = place.direction
    hit, n_specular, is_image = place.primitive, course.n_specular, course.is_image
    event = TRANSMITTED
    u = uniform(address.surface_key, 4 * address.n_bounces)
    if u < rules.threshold[drawn, patch, 1]:
        nx, ny, nz = geometry.normals[hit, 0], geometry.normals[hit, 1], geometry.normals[hit, 2]
        towards = dx * nx + dy * ny + dz * nz
        if u < rules.threshold[drawn, patch, 0]:
            event = SPECULAR
            n_specular += 1
            if geometry.mirror[hit] < 0 or n_specular > rules.image_order:
                is_image = False
            twice = np.float32(2.0) * towards
            dx, dy, dz = dx - twice * nx, dy - twice * ny, dz - twice * nz
        else:
            event = DIFFUSE
            is_image = False
            if towards > _ZERO:
                nx, ny, nz = -nx, -ny, -nz
            u1 = uniform(address.surface_key, 4 * address.n_bounces + 1)
            u2 = uniform(address.surface_key, 4 * address.n_bounces + 2)
            dx, dy, dz = lambert_direction(nx, ny, nz, u1, u2)
    return (
        event,
        Place(place.position, (dx, dy, dz), place.before, hit),
        Course(course.travelled, course.survival, course.density, course.n_hits, n_specular, is_image),
        Address(address.surface_key, address.sheet_key, address.n_bounces + 1, address.n_sheets),
    )


@njit(**UNCOUNTED_OPTIONS)
def trace_rays(begin, rays, rules, geometry, seats, record, scratch):
    """Trace rays from `begin` on until the record is full; returns the index of the first ray that did not fit."""
    totals = record.totals
    layer = seats.layer[0], seats.layer[1]
    for ray in range(begin, len(rays.directions)):
        n_segments, n_deposits, n_lost, n_shares = totals[0], totals[1], totals[2], totals[3]
        place, course, address = begin_ray(ray, rays, rules, scratch)
        drawn = draw_component(rays.first + ray, rules.share_until)
        record.component[ray] = drawn
        n_waiting, n_crossing = 0, 0
        while True:
            if n_crossing == MAX_CROSSING:
                n_deposits = deposit(n_crossing, scratch.crossings, seats, n_deposits, record)
                n_crossing = 0
            if n_segments + 2 > len(record.event) or n_shares + 2 > len(record.share):
                n_deposits = np.int64(-1)
            if n_deposits < 0:
                break
            place, distance, hit = find_hit(place, geometry, scratch)
            record.n_deposits[n_segments] = 0
            ends, patch = hit < 0, np.int32(0)
            if ends:
                record_lost_ray(ray, place, course, record)
            else:
                n_crossing = add_crossing(n_crossing, scratch.crossings, layer, place, course, distance, n_segments)
                patch = geometry.patch[hit]
                place, course = go_to_hit(place, course, distance, hit, rules.energy_kept[patch])
                ends = course.travelled > rules.max_length or course.n_hits == MAX_HITS
            sheet = rules.sheet[patch]
            if not ends:
                course, ends = play_roulette(course, sheet >= 0, patch, address, rules, scratch.densities)
            if not ends and sheet >= 0:
                address, through, goes_through, comes_back = meet_sheet(
                    sheet, place, course, address, n_waiting, rules, scratch
                )
                n_waiting += comes_back
                if goes_through:
                    record.event[n_segments] = 3 * patch + TRANSMITTED + (BRANCHED if comes_back else 0)
                    record.share[n_shares] = through
                    n_segments, n_shares = n_segments + 1, n_shares + 1
                    continue
                ends = not comes_back
            if ends:
                record.event[n_segments] = END_OF_RAY
                n_segments += 1
                if n_waiting == 0:
                    break
                record.n_deposits[n_segments] = 0
            if ends or sheet >= 0:
                # Resume the branch that was stored last: the one just stored, if nothing was transmitted.
                n_waiting -= 1
                place, course, address, record.share[n_shares] = resume(n_waiting, scratch)
                n_shares += 1
                patch = geometry.patch[place.primitive]
            event, place, course, address = draw_event(drawn, patch, place, course, address, rules, geometry)
            record.event[n_segments] = 3 * patch + event
            n_segments += 1
        if n_deposits >= 0:
            n_deposits = deposit(n_crossing, scratch.crossings, seats, n_deposits, record)
        if n_deposits < 0:
            # One more segment or its deposits would not fit: discard this ray and let the caller enlarge the record.
            totals[2], record.lost_survival[ray] = n_lost, _ZERO
            return ray
        record.ray_end[ray] = n_segments
        totals[0], totals[1], totals[3] = n_segments, n_deposits, n_shares
    return len(rays.directions)
