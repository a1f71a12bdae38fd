"""Building the bounding-volume tree: binned surface-area heuristic, then the best eight children for each node."""

from __future__ import annotations

import numpy as np

from .._jit import KERNEL_OPTIONS, njit
from ._plain import WIDTH

_N_BINS = 32
_BUILD = {**KERNEL_OPTIONS, "fastmath": False}


@njit(**_BUILD)
def _half_area(lower, upper):
    x, y, z = upper[0] - lower[0], upper[1] - lower[1], upper[2] - lower[2]
    return x * y + y * z + z * x


@njit(inline="always", **_BUILD)
def _packs_expected(n):
    """Expected number of vector tests for n primitives: full packs, and half a pack for the last one, whose filling is
    not known yet."""
    return n / WIDTH + 0.5


@njit(**_BUILD)
def _best_split(lower, upper, centre, order, start, count):
    """(axis, position) of the best plane among 32 bins an axis; axis -1 if all centres coincide.

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
            cost = _packs_expected(n_left[b - 1]) * area_left[b - 1] + _packs_expected(run) * _half_area(
                run_low, run_high
            )
            if cost < best_cost:
                best_cost, best_axis, best_position = cost, axis, c_low + b / scale
    return best_axis, best_position


@njit(**_BUILD)
def build_binary(lower, upper):
    """Binary tree over boxes, down to single ones.

    Returns node boxes (n, 3) twice, left child (-1 for a leaf; the right one follows it, both after their parent),
    first primitive and count per node, and the order of the primitives.
    """
    n = len(lower)
    order = np.arange(n)
    centre = 0.5 * (lower + upper)
    n_nodes = 2 * n - 1
    box_low = np.empty((n_nodes, 3))
    box_high = np.empty((n_nodes, 3))
    left = np.full(n_nodes, -1)
    first = np.zeros(n_nodes, np.int64)
    count = np.zeros(n_nodes, np.int64)
    count[0] = n
    free = 1
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
        axis, position = _best_split(lower, upper, centre, order, start, k)
        middle = start
        if axis >= 0:
            for j in range(start, start + k):
                if centre[order[j], axis] < position:
                    order[j], order[middle] = order[middle], order[j]
                    middle += 1
        if middle == start or middle == start + k:
            middle = start + k // 2
        left[node] = free
        first[free], count[free] = start, middle - start
        first[free + 1], count[free + 1] = middle, start + k - middle
        stack.append(free)
        stack.append(free + 1)
        free += 2
    return box_low, box_high, left, first, count, order


@njit(**_BUILD)
def widen(box_low, box_high, left, count):
    """Collapse a binary tree to nodes of eight children and leaves of up to eight primitives, at the least expected
    number of steps.

    A step, testing a node or a leaf, is taken by the rays that meet its box: in proportion to its surface. The cost
    of a subtree as k children of the node above is that of the best division of k among its halves, or that of the
    subtree as one leaf or node. Dynamic programming from the leaves up, as in Wald, Benthin and Boulos,
    Getting rid of packets (2008), and Ylitie, Karras and Laine, Efficient incoherent ray traversal on GPUs
    through compressed wide BVHs (2017).

    Returns (n_wide, 8) binary node of each child, largest surface first, -1 where empty, and (n_wide, 8) index of its
    wide node, -1 for a leaf. Wide nodes are in depth-first order.
    """
    n = len(left)
    area = np.empty(n)
    cost = np.empty((n, WIDTH + 1))
    to_left = np.zeros((n, WIDTH + 1), np.int8)
    is_leaf = np.empty(n, np.bool_)
    for i in range(n - 1, -1, -1):
        area[i] = _half_area(box_low[i], box_high[i])
        if left[i] < 0:
            cost[i, :], is_leaf[i] = area[i], True
            continue
        for k in range(2, WIDTH + 1):
            cost[i, k] = np.inf
            for j in range(1, k):
                shared = cost[left[i], j] + cost[left[i] + 1, k - j]
                if shared < cost[i, k]:
                    cost[i, k], to_left[i, k] = shared, j
        as_node = area[i] + cost[i, WIDTH]
        is_leaf[i] = count[i] <= WIDTH and area[i] <= as_node
        cost[i, 1] = area[i] if is_leaf[i] else as_node
        for k in range(2, WIDTH + 1):
            cost[i, k] = min(cost[i, k], cost[i, 1])  # in one piece

    children = np.full((n, WIDTH), -1)
    wide_index = np.full((n, WIDTH), -1)
    n_wide = 1
    waiting = [(0, 0)]
    while len(waiting) > 0:
        binary, wide = waiting.pop()
        shares = [(binary, WIDTH)]
        k_found = 0
        while len(shares) > 0:
            node, k = shares.pop()
            if cost[node, k] < cost[node, 1]:
                j = np.int64(to_left[node, k])
                shares.append((left[node], j))
                shares.append((left[node] + 1, k - j))
                continue
            # Larger boxes first: of two in which a ray starts, the larger is more likely to contain the hit.
            slot = k_found
            while slot > 0 and area[children[wide, slot - 1]] < area[node]:
                children[wide, slot] = children[wide, slot - 1]
                slot -= 1
            children[wide, slot] = node
            k_found += 1
        for c in range(k_found):
            node = children[wide, c]
            if not is_leaf[node]:
                wide_index[wide, c] = n_wide
                waiting.append((node, n_wide))
                n_wide += 1
    return children[:n_wide], wide_index[:n_wide]
