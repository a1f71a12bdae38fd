"""The innermost steps of the kernels in plain loops: the readable counterparts of the functions in `_wide.py`.

They take the same arrays and give the same results. They are used where vector instructions cannot be generated (a
compiler whose interface has changed, or plain Python when compilation is switched off).
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
CLOSEST = np.float32(1e-5)
"""m; nearer hits are on the corner that the ray has just left."""
MISS = np.float32(1e30)
"""m, distance of a ray that hits nothing."""
NODE_FLOATS = 6 * WIDTH
PACK_FLOATS = 13 * WIDTH


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
def hit_primitives(packs, offset, ox, oy, oz, dx, dy, dz, closest, nearest, distance):
    """As `_wide.hit_primitives`."""
    mask = 0
    pack = packs[offset : offset + PACK_FLOATS].reshape(-1, WIDTH)
    for k in range(WIDTH):
        slope = pack[0, k] * dx + pack[1, k] * dy + pack[2, k] * dz
        height = pack[0, k] * ox + pack[1, k] * oy + pack[2, k] * oz + pack[3, k]
        distance[k] = MISS if slope == _ZERO else -height / slope
        x, y, z = ox + distance[k] * dx, oy + distance[k] * dy, oz + distance[k] * dz
        u = pack[4, k] * x + pack[5, k] * y + pack[6, k] * z + pack[7, k]
        v = pack[8, k] * x + pack[9, k] * y + pack[10, k] * z + pack[11, k]
        is_inside = _ZERO <= u <= _ONE and _ZERO <= v <= _ONE and u + v <= pack[12, k]
        if slope != _ZERO and closest < distance[k] <= nearest and is_inside:
            mask |= 1 << k
    return mask


@njit(**KERNEL_OPTIONS)
def lowest_bit(mask):
    """As `_wide.lowest_bit`."""
    k = 0
    while mask & (1 << k) == 0:
        k += 1
    return k
