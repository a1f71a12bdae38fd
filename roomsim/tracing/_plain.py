"""Closest hit in plain loops: the readable twin of `_intersect.py`, on the same arrays, with the same answers.

It serves where vectors cannot be written (a compiler whose interface has changed, or Python itself when compilation
is switched off), and it is what the fast form is held to.
"""

from __future__ import annotations

import numpy as np

from .._jit import KERNEL_OPTIONS, njit

WIDTH = 8
PAIR = 16
"""Bands of two scenarios, which fill a line of the cache and, on the best processors, a vector."""
_LEAST = np.float32(1e-12)
_ONE = np.float32(1.0)
_ZERO = np.float32(0.0)
_CLOSEST = np.float32(1e-5)
MISS = np.float32(1e30)


@njit(inline="always", **KERNEL_OPTIONS)
def inverse(x):
    """1 / x, finite: a ray along an axis must not make 0 * infinity in the slab test."""
    if abs(x) < _LEAST:
        return _ONE / (_LEAST if x >= _ZERO else -_LEAST)
    return _ONE / x


@njit(**KERNEL_OPTIONS)
def add_product(target, place, first, start, second):
    """As `_wide.add_product`."""
    for i in range(PAIR):
        target[place + i] += first[start + i] * second[i]


@njit(**KERNEL_OPTIONS)
def scale_row(target, place, factor, table, a, b, c, d, e, f):
    """As `_wide.scale_row`."""
    for i in range(PAIR):
        early, late = table[a + i] * table[b + i] * table[c + i], table[d + i] * table[e + i] * table[f + i]
        target[place + i] *= factor * early * late


@njit(**KERNEL_OPTIONS)
def keep_larger(lanes, first, start, second, at):
    """As `_wide.keep_larger`."""
    for i in range(WIDTH):
        lanes[i] = max(lanes[i], first[start + i] * second[at + i])


@njit(**KERNEL_OPTIONS)
def scale_and_largest(lanes, table, at):
    """As `_wide.scale_and_largest`."""
    largest = _ZERO
    for i in range(PAIR):
        lanes[i] *= table[at + i]
        largest = max(largest, lanes[i])
    return largest


@njit(**KERNEL_OPTIONS)
def append_bits(target, n, base, mask):
    """As `_wide.append_bits`."""
    for k in range(WIDTH):
        if mask & (1 << k) != 0:
            target[n] = base + k
            n += 1
    return n


@njit(**KERNEL_OPTIONS)
def hit_boxes(
    nodes, offset, near_x, near_y, near_z, inv_x, inv_y, inv_z, shift_x, shift_y, shift_z, nearest, entry
):  # fmt: skip
    """As `_wide.hit_boxes`."""
    mask = 0
    for k in range(WIDTH):
        at = offset + k
        x0, x1 = nodes[at + near_x * WIDTH] * inv_x + shift_x, nodes[at + (3 - near_x) * WIDTH] * inv_x + shift_x
        y0, y1 = nodes[at + near_y * WIDTH] * inv_y + shift_y, nodes[at + (5 - near_y) * WIDTH] * inv_y + shift_y
        z0, z1 = nodes[at + near_z * WIDTH] * inv_z + shift_z, nodes[at + (7 - near_z) * WIDTH] * inv_z + shift_z
        entry[k] = max(max(x0, y0), max(z0, _ZERO))
        if entry[k] <= min(min(x1, y1), min(z1, nearest)):
            mask |= 1 << k
    return mask


@njit(**KERNEL_OPTIONS)
def hit_spheres(spheres, offset, ox, oy, oz, dx, dy, dz, lanes, place):
    """As `_wide.hit_spheres`."""
    mask = 0
    for k in range(WIDTH):
        x, y, z = (
            spheres[offset + k] - ox,
            spheres[offset + WIDTH + k] - oy,
            spheres[offset + 2 * WIDTH + k] - oz,
        )
        along = x * dx + y * dy + z * dz
        half_squared = spheres[offset + 3 * WIDTH + k] - (x * x + y * y + z * z - along * along)
        lanes[place + k], lanes[place + WIDTH + k] = along, half_squared
        if half_squared > _ZERO:
            mask |= 1 << k
    return mask


@njit(**KERNEL_OPTIONS)
def closest_hit(
    ox, oy, oz, dx, dy, dz, skip, far, nodes, children, packs, primitives, stack, stack_entry, lanes
):  # fmt: skip
    """(distance, primitive) of the nearest hit before `far`; as `_intersect.closest_hit`."""
    child = children.reshape(-1, WIDTH)
    pack = packs.reshape(-1, 13, WIDTH)
    member = primitives.reshape(-1, WIDTH)
    ix, iy, iz = inverse(dx), inverse(dy), inverse(dz)
    near_x, near_y, near_z = 0 if ix >= _ZERO else 3, 1 if iy >= _ZERO else 4, 2 if iz >= _ZERO else 5
    nearest, best = far, np.int32(-1)
    depth = 0
    if len(child) > 0:
        stack[0] = 0
        depth = 1
    # The first pack belongs to no node and comes before the tree.
    stack[depth] = -1
    depth += 1
    while depth > 0:
        depth -= 1
        node = np.int64(stack[depth])
        if node >= 0:
            mask = hit_boxes(
                nodes, node * 6 * WIDTH, near_x, near_y, near_z, ix, iy, iz,
                -ox * ix, -oy * iy, -oz * iz, nearest, lanes,
            )  # fmt: skip
            for k in range(WIDTH):
                if mask & (1 << k) != 0:
                    stack[depth] = child[node, k]
                    depth += 1
        else:
            p = -node - 1
            for k in range(WIDTH):
                slope = pack[p, 0, k] * dx + pack[p, 1, k] * dy + pack[p, 2, k] * dz
                height = pack[p, 0, k] * ox + pack[p, 1, k] * oy + pack[p, 2, k] * oz + pack[p, 3, k]
                if member[p, k] < 0 or member[p, k] == skip or slope == _ZERO:
                    continue
                t = -height / slope
                if not _CLOSEST < t <= nearest or (t == nearest and member[p, k] > best):
                    continue
                x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
                u = pack[p, 4, k] * x + pack[p, 5, k] * y + pack[p, 6, k] * z + pack[p, 7, k]
                v = pack[p, 8, k] * x + pack[p, 9, k] * y + pack[p, 10, k] * z + pack[p, 11, k]
                if _ZERO <= u <= _ONE and _ZERO <= v <= _ONE and u + v <= pack[p, 12, k]:
                    nearest, best = t, member[p, k]
    return nearest, best
