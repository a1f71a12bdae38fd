"""Closest hit of a ray: down a tree of boxes, eight at a time.

The innermost steps exist in two forms: vector instructions (`_wide.py`) and plain loops (`_plain.py`). This is the one
place where the form is chosen.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import config

from .._jit import UNCOUNTED_OPTIONS, njit
from ._plain import CLOSEST, MISS, NODE_FLOATS, PACK_FLOATS, WIDTH, inverse

STACK_SIZE = 512
"""Capacity for the nodes and packs still to be tested: at most seven for each level of a tree with eight children per
node."""
_at = np.uint64
"""For indices: with unsigned ones the test for a negative index is omitted, which saves 5 % of the time here."""

try:
    if config.DISABLE_JIT:
        raise ImportError("vector instructions need the compiler")
    from . import _wide as _form
except ImportError:  # that, or an llvmlite whose builder has changed
    from . import _plain as _form
add_product, scale_row, append_bits = _form.add_product, _form.scale_row, _form.append_bits
hit_boxes, hit_primitives, hit_spheres = _form.hit_boxes, _form.hit_primitives, _form.hit_spheres
keep_larger, scale_and_largest, lowest_bit = _form.keep_larger, _form.scale_and_largest, _form.lowest_bit


class Stack(NamedTuple):
    """Working memory of `closest_hit`."""

    node: np.ndarray
    """(STACK_SIZE,) int32, nodes and packs still to be tested."""
    entry: np.ndarray
    """(STACK_SIZE,) float32, distance at which the ray enters each."""
    lanes: np.ndarray
    """(2 * WIDTH,) float32."""


def new_stack():
    """Working memory for one call of `closest_hit` at a time."""
    return Stack(
        np.empty(STACK_SIZE, np.int32), np.empty(STACK_SIZE, np.float32), np.empty(2 * WIDTH, np.float32)
    )


@njit(forceinline=True, **UNCOUNTED_OPTIONS)
def nearer_in_pack(pack, ox, oy, oz, dx, dy, dz, skip, nearest, best, geometry, lanes):
    """(distance, primitive) of the nearest hit in a pack before `nearest`, else `nearest` and `best`.

    Of hits at equal distance, on an edge that two share, the lower number counts: paths must not depend on the
    order in which the tree holds its primitives.
    """
    mask = hit_primitives(geometry.packs, pack * PACK_FLOATS, ox, oy, oz, dx, dy, dz, CLOSEST, nearest, lanes)
    while mask != 0:
        k = lowest_bit(mask)
        mask &= mask - 1
        t = lanes[_at(k)]
        candidate = geometry.primitives[_at(pack * WIDTH + k)]
        if candidate != skip and (t < nearest or (t == nearest and candidate < best)):
            nearest, best = t, candidate
    return nearest, best


# Inlined, because handing over the many words that describe these arrays takes 5 to 10 % of the time.
@njit(forceinline=True, **UNCOUNTED_OPTIONS)
def closest_hit(ox, oy, oz, dx, dy, dz, skip, far, geometry, stack):
    """(distance, primitive) of the nearest hit before `far` on a `Geometry`; primitive -1 if there is none.

    All floats are float32. `skip` is the primitive that the ray starts on (-1 for none): a flat primitive cannot be
    hit again from itself, and leaving it out by number needs no offset that could carry the start through a thin
    sheet.
    """
    nodes, children, primitives = geometry.nodes, geometry.children, geometry.primitives
    waiting, waiting_entry, lanes = stack.node, stack.entry, stack.lanes
    ix, iy, iz = inverse(dx), inverse(dy), inverse(dz)
    near_x = 0 if ix >= 0 else 3
    near_y = 1 if iy >= 0 else 4
    near_z = 2 if iz >= 0 else 5
    px, py, pz = -ox * ix, -oy * iy, -oz * iz
    nearest, best = far, np.int32(-1)
    if primitives[0] >= 0:
        nearest, best = nearer_in_pack(0, ox, oy, oz, dx, dy, dz, skip, nearest, best, geometry, lanes)
    if len(children) == 0:
        return nearest, best

    depth = 0
    node = np.int32(0)
    # The root does not wait for what the first pack finds: the processor works on both at once, which spares a
    # tenth of the time and more. Boxes behind that hit are left out when their turn comes.
    limit = far
    while True:
        if node >= 0:
            mask = hit_boxes(
                nodes, np.int64(node) * NODE_FLOATS, near_x, near_y, near_z, ix, iy, iz, px, py, pz, limit, lanes
            )
            limit = nearest
            if mask != 0:
                # Go on with the nearest child; the others wait, unsorted, with their entry distance.
                first = np.int64(node) * WIDTH
                k = lowest_bit(mask)
                mask &= mask - 1
                entry = lanes[_at(k)]
                following = children[_at(first + k)]
                while mask != 0:
                    k = lowest_bit(mask)
                    mask &= mask - 1
                    other = lanes[_at(k)]
                    if other < entry:
                        waiting_entry[_at(depth)] = entry
                        waiting[_at(depth)] = following
                        entry = other
                        following = children[_at(first + k)]
                    else:
                        waiting_entry[_at(depth)] = other
                        waiting[_at(depth)] = children[_at(first + k)]
                    depth += 1
                node = following
                continue
        else:
            nearest, best = nearer_in_pack(
                -np.int64(node) - 1, ox, oy, oz, dx, dy, dz, skip, nearest, best, geometry, lanes
            )
            limit = nearest
        while True:
            if depth == 0:
                return nearest, best
            depth -= 1
            if waiting_entry[_at(depth)] < nearest:
                node = waiting[_at(depth)]
                break


@njit(**UNCOUNTED_OPTIONS)
def closest_hits(origins, directions, skip, geometry, distance, primitive, stack):
    """`closest_hit` for (n, 3) float32 rays, into (n,) float32 and (n,) int32."""
    for i in range(len(origins)):
        distance[i], primitive[i] = closest_hit(
            origins[i, 0], origins[i, 1], origins[i, 2],
            directions[i, 0], directions[i, 1], directions[i, 2],
            skip[i], MISS, geometry, stack,
        )  # fmt: skip


def find_hits(origins, directions, geometry, skip=None):
    """(n,) float32 distances and (n,) int32 primitives of the closest hits of (n, 3) rays, as `closest_hit` gives them.

    `skip` (n,) int32 are the primitives that the rays start on; none unless given.
    """
    n = len(origins)
    distance, primitive = np.empty(n, np.float32), np.empty(n, np.int32)
    skip = np.full(n, -1, np.int32) if skip is None else skip
    closest_hits(
        np.asarray(origins, np.float32), np.asarray(directions, np.float32), skip, geometry, distance, primitive,
        new_stack(),
    )  # fmt: skip
    return distance, primitive
