"""The one place where the form of the kernels' innermost steps is chosen: vectors or plain loops."""

from __future__ import annotations

import numpy as np
from numba import config

from .._jit import KERNEL_OPTIONS, njit
from ._plain import MISS as MISS
from ._plain import WIDTH as WIDTH

STACK_SIZE = 512
"""Nodes and packs that wait: at most seven for each level of a tree of eight children a node."""

try:
    if config.DISABLE_JIT:
        raise ImportError("vectors need the compiler")
    from . import _wide as _form
    from ._intersect import closest_hit
except ImportError:  # that, or an llvmlite whose builder has changed
    from . import _plain as _form
    from ._plain import closest_hit
add_product, scale_row, append_bits = _form.add_product, _form.scale_row, _form.append_bits
hit_boxes, hit_spheres = _form.hit_boxes, _form.hit_spheres
keep_larger, scale_and_largest = _form.keep_larger, _form.scale_and_largest


@njit(**KERNEL_OPTIONS)
def closest_hits(origins, directions, skip, geometry, distance, primitive):
    """`closest_hit` for (n, 3) float32 rays, into (n,) float32 and (n,) int32."""
    stack = np.empty(STACK_SIZE, np.int32)
    stack_entry = np.empty(STACK_SIZE, np.float32)
    lanes = np.empty(2 * WIDTH, np.float32)
    nodes, children = geometry.nodes, geometry.children
    packs, primitives = geometry.packs, geometry.primitives
    for i in range(len(origins)):
        distance[i], primitive[i] = closest_hit(
            origins[i, 0], origins[i, 1], origins[i, 2],
            directions[i, 0], directions[i, 1], directions[i, 2],
            skip[i], MISS, nodes, children, packs, primitives, stack, stack_entry, lanes,
        )  # fmt: skip
