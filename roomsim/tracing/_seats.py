"""The seat spheres that path segments pass, for many segments at a time.

A processor cannot predict whether a segment passes a seat: when segments were processed one at a time, mispredicted
branches took nearly half of the time here. Segments therefore wait until there are many and then descend the tree of
seats together, level by level: a loop over pairs of segment and node tests the eight children of each and appends
pairs for the next level without a branch. After Tsakok, Faster incoherent rays: multi-BVH ray stream tracing
(High-Performance Graphics 2009, from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from .._jit import KERNEL_OPTIONS, UNCOUNTED_OPTIONS, njit
from ._closest import WIDTH, append_bits, hit_boxes, hit_spheres
from ._plain import NODE_FLOATS, inverse

MAX_CROSSING = 64
"""Largest number of segments that wait, about as many as a path has. With 16 seats take 1.2 times as long; with 120
they take as long as with 64."""
CROSSING_FLOATS = 14
"""Stored for each: origin, direction, length, distance travelled before; then, computed here, the inverse direction and
-origin * inverse direction."""
_PACK_FLOATS = 4 * WIDTH
_NODE_BITS = 24
"""A pair is segment * 2**24 + node, in one number of 32 bits."""
_NODE = np.int32(2**_NODE_BITS - 1)
_HALF = np.float32(0.5)
_ZERO = np.float32(0.0)
_at = np.uint64
"""For indices: with unsigned ones the test for a negative index is omitted."""


class Crossings(NamedTuple):
    """Segments that wait, and working memory for n slots of the seats' packs."""

    rays: np.ndarray
    """(MAX_CROSSING, CROSSING_FLOATS) float32, m."""
    segment: np.ndarray
    """(MAX_CROSSING,) int64, place of each in `n_deposits`."""
    pairs: np.ndarray
    """(MAX_CROSSING * n + 8,) int32."""
    matches: np.ndarray
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
def add_crossing(n_crossing, crossings, layer, place, course, length, segment):
    """Store a segment for `deposit` if it reaches the layer of the spheres and is not left to the image sources;
    returns the number stored.

    It is written in any case, and overwritten by the next if it is not needed: a branch here would take longer.
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
def deposit(n_crossing, crossings, seats, n_deposits, record):
    """Record a deposit for each seat sphere that each of the waiting segments passes, and count it in `n_deposits`,
    which is 0 before.

    Deposits are in the order of the segments, those of one segment in the order of the tree. Returns the new number of
    deposits, or -1 without writing anything if they might not fit.
    """
    crossing, segment = crossings.rays, crossings.segment
    pairs, matches, spans = crossings.pairs, crossings.matches, crossings.spans
    n_pairs = np.int64(n_crossing)
    for s in range(n_crossing):
        ray = crossing[_at(s)]
        for axis in range(3):
            ray[8 + axis] = inverse(ray[3 + axis])
            ray[11 + axis] = -ray[axis] * ray[8 + axis]
        pairs[_at(s)] = s << _NODE_BITS
    for level in range(len(seats.level) - 1):
        first = seats.level[level]
        n_matches = np.int64(0)
        for i in range(n_pairs):
            s, node = pairs[_at(i)] >> _NODE_BITS, pairs[_at(i)] & _NODE
            ray = crossing[_at(s)]
            mask = hit_boxes(
                seats.boxes, np.int64(first + node) * NODE_FLOATS,
                0 if ray[8] >= _ZERO else 3, 1 if ray[9] >= _ZERO else 4, 2 if ray[10] >= _ZERO else 5,
                ray[8], ray[9], ray[10], ray[11], ray[12], ray[13], ray[6], spans,
            )  # fmt: skip
            n_matches = append_bits(matches, n_matches, np.int32((s << _NODE_BITS) + node * WIDTH), mask)
        pairs, matches = matches, pairs
        n_pairs = n_matches

    n_matches = np.int64(0)
    for i in range(n_pairs):
        ray, pack = crossing[_at(pairs[_at(i)] >> _NODE_BITS)], pairs[_at(i)] & _NODE
        mask = hit_spheres(
            seats.spheres, np.int64(pack) * _PACK_FLOATS, ray[0], ray[1], ray[2], ray[3], ray[4], ray[5],
            spans, np.int64(i) * (2 * WIDTH),
        )  # fmt: skip
        n_matches = append_bits(matches, n_matches, np.int32(i * WIDTH), mask)
    if n_deposits + n_matches > len(record.receiver):
        return np.int64(-1)
    for i in range(n_matches):
        which, k = matches[_at(i)] >> 3, matches[_at(i)] & 7
        s, pack = pairs[_at(which)] >> _NODE_BITS, pairs[_at(which)] & _NODE
        ray, slot, at = crossing[_at(s)], pack * WIDTH + k, which * 2 * WIDTH + k
        nearest, half = spans[_at(at)], math.sqrt(spans[_at(at + WIDTH)])
        enter, leave = max(nearest - half, _ZERO), min(nearest + half, ray[6])
        record.receiver[_at(n_deposits)] = seats.member[_at(slot)]
        record.path_length[_at(n_deposits)] = ray[7] + _HALF * (enter + leave)
        record.chord[_at(n_deposits)] = (leave - enter) * seats.per_volume[_at(slot)]
        # Spheres before the start of the segment or after its end are overwritten by the next.
        passes = leave > enter
        n_deposits += passes
        record.n_deposits[_at(segment[_at(s)])] += passes
    return n_deposits
