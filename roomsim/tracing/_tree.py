"""Building the bounding-volume tree: binned surface-area heuristic, then eight children a node."""

from __future__ import annotations

import numpy as np
from numba import njit

from .._jit import KERNEL_OPTIONS

_N_BINS = 32
_BUILD = {**KERNEL_OPTIONS, "fastmath": False}


@njit(**_BUILD)
def _half_area(lower, upper):
    x, y, z = upper[0] - lower[0], upper[1] - lower[1], upper[2] - lower[2]
    return x * y + y * z + z * x


@njit(inline="always", **_BUILD)
def packs_for(n):
    """Vector tests that n primitives take: what a leaf costs goes in steps of eight."""
    return (n + 7) // 8


@njit(**_BUILD)
def _best_split(lower, upper, centre, order, start, count):
    """(cost, axis, position) of the best plane among 32 bins an axis; axis -1 if all centres coincide.

    MacDonald and Booth (1990), surface-area heuristic; binned as in Wald, On fast construction of SAH-based
    bounding volume hierarchies (2007).
    """
    best_cost, best_axis, best_position = np.inf, -1, 0.0
    n_left = np.empty(_N_BINS, np.int64)
    area_left = np.empty(_N_BINS)
    for axis in range(3):
        c_low, c_high = np.inf, -np.inf
        for j in range(start, start + count):
            c = centre[order[j], axis]
            c_low, c_high = min(c_low, c), max(c_high, c)
        if c_high - c_low < 1e-9:
            continue
        scale = _N_BINS / (c_high - c_low)
        n_in = np.zeros(_N_BINS, np.int64)
        low = np.full((_N_BINS, 3), np.inf)
        high = np.full((_N_BINS, 3), -np.inf)
        for j in range(start, start + count):
            i = order[j]
            b = min(_N_BINS - 1, int((centre[i, axis] - c_low) * scale))
            n_in[b] += 1
            for a in range(3):
                low[b, a] = min(low[b, a], lower[i, a])
                high[b, a] = max(high[b, a], upper[i, a])
        # Sweep from the left, then from the right.
        run_low, run_high, run = np.full(3, np.inf), np.full(3, -np.inf), 0
        for b in range(_N_BINS):
            run += n_in[b]
            for a in range(3):
                run_low[a], run_high[a] = min(run_low[a], low[b, a]), max(run_high[a], high[b, a])
            n_left[b] = run
            area_left[b] = _half_area(run_low, run_high) if run > 0 else 0.0
        run_low[:], run_high[:], run = np.inf, -np.inf, 0
        for b in range(_N_BINS - 1, 0, -1):
            run += n_in[b]
            for a in range(3):
                run_low[a], run_high[a] = min(run_low[a], low[b, a]), max(run_high[a], high[b, a])
            if run == 0 or n_left[b - 1] == 0:
                continue
            cost = packs_for(n_left[b - 1]) * area_left[b - 1] + packs_for(run) * _half_area(
                run_low, run_high
            )
            if cost < best_cost:
                best_cost, best_axis, best_position = cost, axis, c_low + b / scale
    return best_cost, best_axis, best_position


@njit(**_BUILD)
def build_binary(lower, upper, leaf_size, node_cost):
    """Binary tree over boxes.

    Returns node boxes (n, 3) twice, left child (-1 for a leaf; the right one follows it), first primitive and
    count per node, and the order of the primitives.
    """
    n = len(lower)
    order = np.arange(n)
    centre = 0.5 * (lower + upper)
    box_low = np.empty((2 * n, 3))
    box_high = np.empty((2 * n, 3))
    left = np.full(2 * n, -1)
    first = np.zeros(2 * n, np.int64)
    count = np.zeros(2 * n, np.int64)
    count[0] = n
    n_nodes = 1
    stack = [0]
    while len(stack) > 0:
        node = stack.pop()
        start, k = first[node], count[node]
        for a in range(3):
            low, high = np.inf, -np.inf
            for j in range(start, start + k):
                low, high = min(low, lower[order[j], a]), max(high, upper[order[j], a])
            box_low[node, a], box_high[node, a] = low, high
        if k == 1:
            continue
        cost, axis, position = _best_split(lower, upper, centre, order, start, k)
        area = _half_area(box_low[node], box_high[node])
        if k <= leaf_size and (axis < 0 or cost + node_cost * area >= packs_for(k) * area):
            continue
        middle = start
        if axis >= 0:
            for j in range(start, start + k):
                if centre[order[j], axis] < position:
                    order[j], order[middle] = order[middle], order[j]
                    middle += 1
        if middle == start or middle == start + k:
            middle = start + k // 2
        left[node] = n_nodes
        first[n_nodes], count[n_nodes] = start, middle - start
        first[n_nodes + 1], count[n_nodes + 1] = middle, start + k - middle
        stack.append(n_nodes)
        stack.append(n_nodes + 1)
        n_nodes += 2
    return box_low[:n_nodes], box_high[:n_nodes], left[:n_nodes], first[:n_nodes], count[:n_nodes], order


@njit(**_BUILD)
def widen(box_low, box_high, left, width):
    """Collapse a binary tree to `width` children a node by opening the child with the largest surface first.

    Returns (n_wide, width) binary node of each child, -1 where empty, and (n_wide, width) index of its wide node,
    -1 for a leaf. Wide nodes are in depth-first order.
    """
    n = len(left)
    children = np.full((n, width), -1)
    wide_index = np.full((n, width), -1)
    n_wide = 1
    stack = [(0, 0)]
    while len(stack) > 0:
        binary, wide = stack.pop()
        if left[binary] < 0:
            children[wide, 0] = binary
            continue
        k = 2
        children[wide, 0], children[wide, 1] = left[binary], left[binary] + 1
        while k < width:
            best, best_area = -1, -1.0
            for c in range(k):
                node = children[wide, c]
                if left[node] >= 0:
                    area = _half_area(box_low[node], box_high[node])
                    if area > best_area:
                        best, best_area = c, area
            if best < 0:
                break
            opened = children[wide, best]
            children[wide, best] = left[opened]
            children[wide, k] = left[opened] + 1
            k += 1
        for c in range(k):
            node = children[wide, c]
            if left[node] >= 0:
                wide_index[wide, c] = n_wide
                stack.append((node, n_wide))
                n_wide += 1
    return children[:n_wide], wide_index[:n_wide]
