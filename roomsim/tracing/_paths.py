"""Following rays through the room and writing down what they meet."""

from __future__ import annotations

import math

import numpy as np

from .._jit import KERNEL_OPTIONS, njit
from ._closest import MISS, STACK_SIZE, WIDTH, closest_hit, keep_larger, scale_and_largest
from ._plain import PAIR
from ._random import _GOLDEN, _S40, _TO_UNIT, SHEET, SURFACE, mix, ray_key, uniform
from ._seats import CROSSING_FLOATS, MAX_CROSSING, deposit, keep_crossing
from .paths import BRANCHED, END_OF_RAY, MAX_BRANCHES

N_LOST_KEPT = 64
MAX_HITS = 4096
"""Of a path; 10 s with 0.8 m between hits."""
_TWO_PI = np.float32(2.0 * math.pi)
_ONE = np.float32(1.0)
_ZERO = np.float32(0.0)
_PULL_BACK = np.float32(1e-3)


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
def largest_product(state, wish, sheet, way, lanes):
    """Largest of state[i] * wish[sheet, way, i]; the number of states is a multiple of eight."""
    n_states = len(state)
    start = (np.int64(sheet) * 2 + way) * n_states
    for k in range(WIDTH):
        lanes[k] = _ZERO
    for first in range(0, n_states, WIDTH):
        keep_larger(lanes, state, np.int64(first), wish, start + first)
    largest = _ZERO
    for k in range(WIDTH):
        largest = max(largest, lanes[k])
    return largest


@njit(**KERNEL_OPTIONS)
def trace_rays(
    seed, source, first_ray, begin, origin, directions, geometry, seats, share_until, threshold, sheet_of, wish,
    state_at_start, staying, density_at_start, density_kept, image_order, max_length,
    ray_end, component, event, n_deposits, share, receiver, path_length, chord,
    lost_position, lost_direction, lost_survival, totals,
):  # fmt: skip
    """Trace rays `begin` to the end of `directions` (n, 3) float32, as far as the output arrays hold them.

    share_until (n_components,) float32: cumulative shares of rays. threshold (n_components, n_patches, 2)
    float32: below the first a ray is reflected specularly, below the second diffusely, else it goes through.
    sheet_of (n_patches,) int32, wish (n_sheets * 2 * n_states) and state_at_start (n_states,) float32: how rays branch
    at free-hanging sheets, see SamplingPlan. density_at_start (16,) float32 and density_kept (n_patches * 16) float32:
    how densely paths are wanted; a ray goes on after a hit with the share that the largest of these,
    but one at most, has kept (Russian roulette). staying (n_patches,) float32: share of energy kept at a hit. Outputs
    as in PathLog, grown by the caller; lost_survival (n_rays,) float32 is the share of energy with which a ray was
    lost, else 0. totals (4,) int64: segments, deposits, lost rays, shares.

    Returns the number of the first ray that did not fit.
    """
    nodes, children, packs, primitives = (
        geometry.nodes,
        geometry.children,
        geometry.packs,
        geometry.primitives,
    )
    normals, patch_of, mirror_of = geometry.normals, geometry.patch, geometry.mirror
    layer = seats.layer[0], seats.layer[1]
    n_components, n_states = len(threshold), len(state_at_start)
    stack = np.empty(STACK_SIZE, np.int32)
    stack_entry = np.empty(STACK_SIZE, np.float32)
    lanes = np.empty(2 * WIDTH, np.float32)
    n_slots = MAX_CROSSING * len(seats.member)
    crossing = np.empty((MAX_CROSSING, CROSSING_FLOATS), np.float32)
    crossing_segment = np.empty(MAX_CROSSING, np.int64)
    pairs, found = np.empty(n_slots + WIDTH, np.int32), np.empty(n_slots + WIDTH, np.int32)
    spans = np.empty(2 * n_slots, np.float32)
    state = np.empty(n_states, np.float32)
    wanted = np.empty(PAIR, np.float32)
    # Branches that wait: where and how the ray came to the sheet, and what it will be there.
    # One more place is for the branch that is taken up at once, since nothing went through.
    waiting = np.empty((MAX_BRANCHES + 1, 10), np.float32)
    waiting_count = np.empty((MAX_BRANCHES + 1, 4), np.int64)
    waiting_key = np.empty(MAX_BRANCHES + 1, np.uint64)
    waiting_state = np.empty((MAX_BRANCHES + 1, n_states), np.float32)
    waiting_wanted = np.empty((MAX_BRANCHES + 1, PAIR), np.float32)
    n_segments, n_kept, n_shares = totals[0], totals[1], totals[3]

    for ray in range(begin, len(directions)):
        segment_at_start, kept_at_start, lost_at_start, shares_at_start = n_segments, n_kept, totals[2], n_shares
        address = first_ray + ray
        surface_key = ray_key(seed, SURFACE, source, address)
        sheet_key = ray_key(seed, SHEET, source, address)
        # A Weyl sequence gives each component its share of any run of rays.
        position = np.float32(np.int64((np.uint64(address) * _GOLDEN) >> _S40)) * _TO_UNIT
        drawn = 0
        while drawn < n_components - 1 and position >= share_until[drawn]:
            drawn += 1
        component[ray] = drawn
        ox, oy, oz = origin[0], origin[1], origin[2]
        dx, dy, dz = directions[ray, 0], directions[ray, 1], directions[ray, 2]
        skip = np.int32(-1)
        travelled, survival, density = _ZERO, _ONE, _ONE
        n_specular = np.int64(0)
        is_image = True
        back_x, back_y, back_z = ox, oy, oz
        for k in range(n_states):
            state[k] = state_at_start[k]
        for k in range(PAIR):
            wanted[k] = density_at_start[k]
        n_waiting, n_crossing = 0, 0
        # Hits at surfaces and at sheets are counted apart: a sheet that a ray passes leaves all that follows as it is.
        bounce, n_sheets_met, n_hits = np.int64(0), np.int64(0), np.int64(0)
        while True:
            if n_crossing == MAX_CROSSING:
                n_kept = deposit(
                    n_crossing, crossing, crossing_segment, seats, pairs, found, spans,
                    n_kept, n_deposits, receiver, path_length, chord,
                )  # fmt: skip
                n_crossing = 0
            if n_segments + 2 > len(event) or n_shares + 2 > len(share):
                n_kept = np.int64(-1)
            if n_kept < 0:
                break
            for attempt in range(2):
                t, hit = closest_hit(
                    ox, oy, oz, dx, dy, dz, skip, MISS,
                    nodes, children, packs, primitives, stack, stack_entry, lanes,
                )  # fmt: skip
                if hit >= 0 or attempt == 1:
                    break
                # Rounding can put a start a few micrometres behind the next wall at a corner: try once more from
                # a point on the way in.
                ox, oy, oz = back_x, back_y, back_z
            n_deposits[n_segments] = 0
            ends = hit < 0
            if ends:
                lost = totals[2]
                if lost < N_LOST_KEPT:
                    lost_position[lost, 0], lost_position[lost, 1], lost_position[lost, 2] = ox, oy, oz
                    lost_direction[lost, 0], lost_direction[lost, 1], lost_direction[lost, 2] = dx, dy, dz
                totals[2] += 1
                lost_survival[ray] = max(lost_survival[ray], survival / density)
                patch = np.int32(0)
            else:
                n_crossing = keep_crossing(
                    n_crossing, crossing, crossing_segment, layer, ox, oy, oz, dx, dy, dz, t, travelled,
                    n_segments, not is_image,
                )  # fmt: skip
                travelled += t
                back_x, back_y, back_z = (
                    ox + (t - _PULL_BACK) * dx,
                    oy + (t - _PULL_BACK) * dy,
                    oz + (t - _PULL_BACK) * dz,
                )
                ox, oy, oz = ox + t * dx, oy + t * dy, oz + t * dz
                skip = hit
                patch = patch_of[hit]
                survival *= staying[patch]
                n_hits += 1
                ends = travelled > max_length or n_hits == MAX_HITS
            sheet = sheet_of[patch]
            if not ends:
                before = density
                density = min(_ONE, scale_and_largest(wanted, density_kept, np.int64(patch) * PAIR))
                if density < before:
                    u = uniform(sheet_key, 2 * n_sheets_met + 1) if sheet >= 0 else uniform(surface_key, 4 * bounce + 3)
                    ends = u * before >= density
            if not ends and sheet >= 0:
                through = largest_product(state, wish, sheet, 0, lanes)
                back = largest_product(state, wish, sheet, 1, lanes)
                is_full = n_waiting == MAX_BRANCHES
                if is_full and through + back > _ONE:
                    through, back = through / (through + back), back / (through + back)
                # Both from one number: as close to the mean number of branches as can be.
                u = uniform(sheet_key, 2 * n_sheets_met)
                goes_through = u < through
                comes_back = u >= _ONE - back and not (is_full and goes_through)
                n_sheets_met += 1
                if comes_back:
                    waiting[n_waiting, 0], waiting[n_waiting, 1], waiting[n_waiting, 2] = ox, oy, oz
                    waiting[n_waiting, 3], waiting[n_waiting, 4], waiting[n_waiting, 5] = dx, dy, dz
                    waiting[n_waiting, 6], waiting[n_waiting, 7], waiting[n_waiting, 8] = travelled, survival, back
                    waiting[n_waiting, 9] = density
                    waiting_count[n_waiting, 0], waiting_count[n_waiting, 1] = hit, n_specular
                    waiting_count[n_waiting, 2], waiting_count[n_waiting, 3] = n_hits, is_image
                    # Keys of its own, whether or not another branch goes through.
                    waiting_key[n_waiting] = ray_key(sheet_key, SHEET, n_sheets_met, 0)
                    inverse, place = _ONE / back, (np.int64(sheet) * 2 + 1) * n_states
                    for k in range(n_states):
                        waiting_state[n_waiting, k] = state[k] * wish[place + k] * inverse
                    for k in range(PAIR):
                        waiting_wanted[n_waiting, k] = wanted[k]
                    n_waiting += 1
                if goes_through:
                    event[n_segments] = 3 * patch + 2 + (BRANCHED if comes_back else 0)
                    n_segments += 1
                    share[n_shares] = through
                    n_shares += 1
                    inverse, place = _ONE / through, np.int64(sheet) * 2 * n_states
                    for k in range(n_states):
                        state[k] *= wish[place + k] * inverse
                    continue
                ends = not comes_back
            if ends:
                event[n_segments] = END_OF_RAY
                n_segments += 1
                if n_waiting == 0:
                    break
                n_deposits[n_segments] = 0
            if ends or sheet >= 0:
                # Take up the branch that has waited least: the one just put there, if nothing went through.
                n_waiting -= 1
                ox, oy, oz = waiting[n_waiting, 0], waiting[n_waiting, 1], waiting[n_waiting, 2]
                dx, dy, dz = waiting[n_waiting, 3], waiting[n_waiting, 4], waiting[n_waiting, 5]
                back_x, back_y, back_z = ox - _PULL_BACK * dx, oy - _PULL_BACK * dy, oz - _PULL_BACK * dz
                travelled, survival, density = waiting[n_waiting, 6], waiting[n_waiting, 7], waiting[n_waiting, 9]
                share[n_shares] = waiting[n_waiting, 8]
                n_shares += 1
                hit = np.int32(waiting_count[n_waiting, 0])
                n_specular, n_hits = waiting_count[n_waiting, 1], waiting_count[n_waiting, 2]
                is_image = waiting_count[n_waiting, 3] != 0
                surface_key = waiting_key[n_waiting]
                sheet_key = mix(surface_key + _GOLDEN)
                bounce, n_sheets_met = np.int64(0), np.int64(0)
                for k in range(n_states):
                    state[k] = waiting_state[n_waiting, k]
                for k in range(PAIR):
                    wanted[k] = waiting_wanted[n_waiting, k]
                skip, patch = hit, patch_of[hit]

            u = uniform(surface_key, 4 * bounce)
            if u >= threshold[drawn, patch, 1]:
                event[n_segments] = 3 * patch + 2
            else:
                nx, ny, nz = normals[hit, 0], normals[hit, 1], normals[hit, 2]
                towards = dx * nx + dy * ny + dz * nz
                if u < threshold[drawn, patch, 0]:
                    event[n_segments] = 3 * patch
                    n_specular += 1
                    if mirror_of[hit] < 0 or n_specular > image_order:
                        is_image = False
                    twice = np.float32(2.0) * towards
                    dx, dy, dz = dx - twice * nx, dy - twice * ny, dz - twice * nz
                else:
                    event[n_segments] = 3 * patch + 1
                    is_image = False
                    if towards > _ZERO:
                        nx, ny, nz = -nx, -ny, -nz
                    u1, u2 = uniform(surface_key, 4 * bounce + 1), uniform(surface_key, 4 * bounce + 2)
                    dx, dy, dz = lambert_direction(nx, ny, nz, u1, u2)
            n_segments += 1
            bounce += 1
        if n_kept >= 0:
            n_kept = deposit(
                n_crossing, crossing, crossing_segment, seats, pairs, found, spans,
                n_kept, n_deposits, receiver, path_length, chord,
            )  # fmt: skip
        if n_kept < 0:
            # One more segment or its deposits would not fit: give the ray back and let the caller make room.
            totals[0], totals[1], totals[2], totals[3] = (
                segment_at_start, kept_at_start, lost_at_start, shares_at_start,
            )  # fmt: skip
            lost_survival[ray] = _ZERO
            return ray
        ray_end[ray] = n_segments
        totals[0], totals[1], totals[3] = n_segments, n_kept, n_shares
    return len(directions)
