"""Closest hit of a ray, by vectors of eight; see `_plain.py` for the same in loops."""

from __future__ import annotations

import numpy as np

from .._jit import KERNEL_OPTIONS, njit
from ._plain import inverse
from ._wide import NODE_FLOATS, PACK_FLOATS, WIDTH, hit_boxes, hit_primitives, lowest_bit

CLOSEST = np.float32(1e-5)
"""m; nearer hits are the corner that the ray has just left."""
_at = np.uint64
"""Of an index: unsigned ones spare the test for a negative one, 5 % of all time here."""


@njit(forceinline=True, **KERNEL_OPTIONS)
def nearer_in_pack(pack, ox, oy, oz, dx, dy, dz, skip, nearest, best, packs, primitives, lanes):
    """(distance, primitive) of the nearest hit in a pack before `nearest`, else `nearest` and `best`.

    Of hits at equal distance, on an edge that two share, the lower number counts: paths must not depend on the
    order in which the tree holds its primitives.
    """
    mask = hit_primitives(packs, pack * PACK_FLOATS, ox, oy, oz, dx, dy, dz, CLOSEST, nearest, lanes)
    while mask != 0:
        k = lowest_bit(mask)
        mask &= mask - 1
        t = lanes[_at(k)]
        candidate = primitives[_at(pack * WIDTH + k)]
        if candidate != skip and (t < nearest or (t == nearest and candidate < best)):
            nearest, best = t, candidate
    return nearest, best


# Inlined, because handing over the many words that describe these arrays takes 5 to 10 % of the time.
@njit(forceinline=True, **KERNEL_OPTIONS)
def closest_hit(
    ox, oy, oz, dx, dy, dz, skip, far, nodes, children, packs, primitives, stack, stack_entry, lanes
):  # fmt: skip
    """(distance, primitive) of the nearest hit before `far`; primitive -1 if there is none.

    All floats are float32. `skip` is the primitive that the ray starts on (-1 for none): a flat primitive cannot be
    hit again from itself, and leaving it out by number needs no offset that could carry the start through a thin
    sheet. Scratch: stack (STACK_SIZE,) int32, stack_entry (STACK_SIZE,) float32, lanes
    (2 * WIDTH,) float32.
    """
    ix, iy, iz = inverse(dx), inverse(dy), inverse(dz)
    near_x = 0 if ix >= 0 else 3
    near_y = 1 if iy >= 0 else 4
    near_z = 2 if iz >= 0 else 5
    px, py, pz = -ox * ix, -oy * iy, -oz * iz
    nearest, best = far, np.int32(-1)
    if primitives[0] >= 0:
        nearest, best = nearer_in_pack(
            0, ox, oy, oz, dx, dy, dz, skip, nearest, best, packs, primitives, lanes
        )
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
                        stack_entry[_at(depth)] = entry
                        stack[_at(depth)] = following
                        entry = other
                        following = children[_at(first + k)]
                    else:
                        stack_entry[_at(depth)] = other
                        stack[_at(depth)] = children[_at(first + k)]
                    depth += 1
                node = following
                continue
        else:
            nearest, best = nearer_in_pack(
                -np.int64(node) - 1, ox, oy, oz, dx, dy, dz, skip, nearest, best, packs, primitives, lanes
            )
            limit = nearest
        while True:
            if depth == 0:
                return nearest, best
            depth -= 1
            if stack_entry[_at(depth)] < nearest:
                node = stack[_at(depth)]
                break
