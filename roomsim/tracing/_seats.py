"""Which seat spheres path segments pass, many segments at a time.

Whether a segment passes a seat is more than a processor can guess; taken one at a time, segments spent nearly half of
their time here on wrong guesses at branches. So segments wait until there are many, and then go down the tree of seats
together, level by level: a loop over pairs of segment and node tests the eight children of each and appends pairs for
the next level without a branch. After Tsakok, Faster incoherent rays: multi-BVH ray stream tracing (High-Performance
Graphics 2009, from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from .._jit import KERNEL_OPTIONS, UNCOUNTED_OPTIONS, njit
from ._closest import WIDTH, append_bits, hit_boxes, hit_spheres
from ._plain import inverse

MAX_CROSSING = 64
"""Segments that wait at most; about as many as a path has. Seats cost 1.2 times as much with 16, and
with 120 as much as with 64."""
CROSSING_FLOATS = 14
"""What is kept of each: origin, direction, length, way travelled before; then, worked out here, the inverse direction
and -origin * inverse direction."""
_NODE_FLOATS = 6 * WIDTH
_PACK_FLOATS = 4 * WIDTH
_NODE_BITS = 24
"""A pair is segment * 2**24 + node, in one number of 32 bits."""
_NODE = np.int32(2**_NODE_BITS - 1)
_HALF = np.float32(0.5)
_ZERO = np.float32(0.0)
_at = np.uint64
"""Of an index: unsigned ones spare the test for a negative one."""


class Crossings(NamedTuple):
    """Segments that wait, and scratch for n slots of the seats' packs."""

    rays: np.ndarray
    """(MAX_CROSSING, CROSSING_FLOATS) float32, m."""
    segment: np.ndarray
    """(MAX_CROSSING,) int64, place of each in `n_deposits`."""
    pairs: np.ndarray
    """(MAX_CROSSING * n + 8,) int32."""
    found: np.ndarray
    """(MAX_CROSSING * n + 8,) int32."""
    spans: np.ndarray
    """(2 * MAX_CROSSING * n,) float32."""


def new_crossings(seats):
    """Memory for the segments that wait."""
    n_slots = MAX_CROSSING * len(seats.member)
    return Crossings(
        np.empty((MAX_CROSSING, CROSSING_FLOATS), np.float32), np.empty(MAX_CROSSING, np.int64),
        np.empty(n_slots + WIDTH, np.int32), np.empty(n_slots + WIDTH, np.int32), np.empty(2 * n_slots, np.float32),
    )  # fmt: skip


@njit(inline="always", **KERNEL_OPTIONS)
def keep_crossing(n_crossing, crossings, layer, place, course, length, segment):
    """Let a segment wait for `deposit` if it reaches the layer of the spheres and is not left to the image sources;
    returns how many wait.

    It is written down in any case, and written over by the next if it need not wait: to branch here would cost more.
    """
    ray = crossings.rays
    for axis in range(3):
        ray[n_crossing, axis], ray[n_crossing, 3 + axis] = place.position[axis], place.direction[axis]
    ray[n_crossing, 6], ray[n_crossing, 7] = length, course.travelled
    crossings.segment[n_crossing] = segment
    z = place.position[2]
    end_z = z + length * place.direction[2]
    return n_crossing + ((not course.is_image) & (min(z, end_z) < layer[1]) & (max(z, end_z) > layer[0]))


@njit(**UNCOUNTED_OPTIONS)
def deposit(n_crossing, crossings, seats, n_kept, record):
    """Record a deposit for each seat sphere that each of the waiting segments passes, and count it in `n_deposits`,
    which is 0 before.

    Deposits follow each other as the segments do, those of a segment in the order of the tree. Returns the new number
    of deposits, or -1 and nothing written if they might not fit.
    """
    crossing, segment = crossings.rays, crossings.segment
    pairs, found, spans = crossings.pairs, crossings.found, crossings.spans
    n_pairs = np.int64(n_crossing)
    for s in range(n_crossing):
        ray = crossing[_at(s)]
        for axis in range(3):
            ray[8 + axis] = inverse(ray[3 + axis])
            ray[11 + axis] = -ray[axis] * ray[8 + axis]
        pairs[_at(s)] = s << _NODE_BITS
    for level in range(len(seats.level) - 1):
        first = seats.level[level]
        n_found = np.int64(0)
        for i in range(n_pairs):
            s, node = pairs[_at(i)] >> _NODE_BITS, pairs[_at(i)] & _NODE
            ray = crossing[_at(s)]
            mask = hit_boxes(
                seats.boxes, np.int64(first + node) * _NODE_FLOATS,
                0 if ray[8] >= _ZERO else 3, 1 if ray[9] >= _ZERO else 4, 2 if ray[10] >= _ZERO else 5,
                ray[8], ray[9], ray[10], ray[11], ray[12], ray[13], ray[6], spans,
            )  # fmt: skip
            n_found = append_bits(found, n_found, np.int32((s << _NODE_BITS) + node * WIDTH), mask)
        pairs, found = found, pairs
        n_pairs = n_found

    n_found = np.int64(0)
    for i in range(n_pairs):
        ray, pack = crossing[_at(pairs[_at(i)] >> _NODE_BITS)], pairs[_at(i)] & _NODE
        mask = hit_spheres(
            seats.spheres, np.int64(pack) * _PACK_FLOATS, ray[0], ray[1], ray[2], ray[3], ray[4], ray[5],
            spans, np.int64(i) * (2 * WIDTH),
        )  # fmt: skip
        n_found = append_bits(found, n_found, np.int32(i * WIDTH), mask)
    if n_kept + n_found > len(record.receiver):
        return np.int64(-1)
    for i in range(n_found):
        which, k = found[_at(i)] >> 3, found[_at(i)] & 7
        s, pack = pairs[_at(which)] >> _NODE_BITS, pairs[_at(which)] & _NODE
        ray, slot, at = crossing[_at(s)], pack * WIDTH + k, which * 2 * WIDTH + k
        nearest, half = spans[_at(at)], math.sqrt(spans[_at(at + WIDTH)])
        enter, leave = max(nearest - half, _ZERO), min(nearest + half, ray[6])
        record.receiver[_at(n_kept)] = seats.member[_at(slot)]
        record.path_length[_at(n_kept)] = ray[7] + _HALF * (enter + leave)
        record.chord[_at(n_kept)] = (leave - enter) * seats.per_volume[_at(slot)]
        # Spheres before the segment begins or after it ends are written over by the next.
        passes = leave > enter
        n_kept += passes
        record.n_deposits[_at(segment[_at(s)])] += passes
    return n_kept
