"""Exact decay of a box whose walls all reflect by Lambert's law, without rays.

Energy that leaves one patch of a wall towards another arrives after the time for their distance. The late decay
exp(-rate t) has the rate at which this balance sustains itself: the largest eigenvalue of M_ij = (1 - a_i) F_ij
exp(rate d_ij / c) is 1 (Kuttruff, Room Acoustics, on the integral equation of diffuse reflection; from memory). View
factors F_ij between rectangles in closed form (Ehlert and Smith, J. Thermophys. Heat Transf. 7 (1993) 173; Howell, A
Catalog of Radiation Heat Transfer Configuration Factors, C-13 and C-15; from memory, checked in the tests by rows that
sum to 1 and by printed values); distances between centres.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from scipy.optimize import brentq
from scipy.sparse.linalg import eigs


def intervals(size, step):
    """For each wall (x = 0, x = lx, y = 0, ...) its axis and the edges of its patches along x, y and z.

    edges (n, 3, 2): lower and upper end; both equal along the wall's axis.
    """
    walls = []
    for axis, side in product(range(3), (0, 1)):
        ends = []
        for k in range(3):
            if k == axis:
                ends.append(np.array([[side * size[k]] * 2]))
            else:
                cuts = np.linspace(0.0, size[k], max(2, round(size[k] / step)) + 1)
                ends.append(np.stack([cuts[:-1], cuts[1:]], axis=1))
        index = np.indices([len(e) for e in ends]).reshape(3, -1)
        walls.append((axis, np.stack([e[i] for e, i in zip(ends, index)], axis=1)))
    return walls


def parallel(first, second, u, v, distance):
    """(n, m) view factors of patches on facing walls; u, v the axes in the walls."""
    total = 0.0
    for i, j, k, l in product((0, 1), repeat=4):
        x = first[:, None, u, i] - second[None, :, u, k]
        y = first[:, None, v, j] - second[None, :, v, l]
        a, b = np.sqrt(x**2 + distance**2), np.sqrt(y**2 + distance**2)
        term = y * a * np.arctan(y / a) + x * b * np.arctan(x / b)
        term -= distance**2 / 2.0 * np.log(x**2 + y**2 + distance**2)
        total = total + (-1) ** (i + j + k + l) * term
    return total / (2.0 * np.pi) / _area(first, u, v)[:, None]


def perpendicular(first, second, a, b, c):
    """(n, m) view factors from patches on a wall of axis `a` to those on one of axis `b`; `c` the third."""
    total = 0.0
    for i, j, k, l in product((0, 1), repeat=4):
        x = np.abs(first[:, None, b, i] - second[None, :, b, 0])
        xi = np.abs(second[None, :, a, k] - first[:, None, a, 0])
        y = first[:, None, c, j] - second[None, :, c, l]
        r2 = x**2 + xi**2
        r = np.sqrt(r2)
        angle = np.arctan(np.divide(y, r, out=np.zeros_like(y), where=r > 0.0))
        square = r2 + y**2
        logarithm = np.log(square, out=np.zeros_like(y), where=square > 0.0)
        term = y * r * angle - 0.25 * (r2 - y**2) * logarithm
        # Both lengths may decrease towards the common edge on either side: their order determines the sign.
        sign = (-1) ** (j + l) * _rising(first, b, second, i) * _rising(second, a, first, k)
        total = total + sign * term
    return total / (2.0 * np.pi) / _area(first, b, c)[:, None]


def _rising(own, axis, other, end):
    """+1 or -1: sign of an end of the interval when lengths are measured from the other wall's plane."""
    plane = other[0, axis, 0]
    is_far = abs(own[0, axis, 1] - plane) > abs(own[0, axis, 0] - plane)
    return (-1) ** (end if is_far else 1 - end)


def _area(patches, u, v):
    return np.ptp(patches[:, u], axis=1) * np.ptp(patches[:, v], axis=1)


def view_factors(size, step):
    """View factors (n, n), distances of centres (n, n), areas (n,) and wall numbers (n,)."""
    walls = intervals(size, step)
    n_of = [len(edges) for _, edges in walls]
    start = np.concatenate([[0], np.cumsum(n_of)])
    factors = np.zeros((start[-1], start[-1]))
    for p, (axis, edges) in enumerate(walls):
        for q, (other, others) in enumerate(walls):
            if p == q:
                continue
            here = np.s_[start[p] : start[p + 1], start[q] : start[q + 1]]
            if axis == other:
                u, v = (k for k in range(3) if k != axis)
                factors[here] = parallel(edges, others, u, v, size[axis])
            else:
                factors[here] = perpendicular(edges, others, axis, other, 3 - axis - other)
    centre = np.concatenate([edges.mean(axis=2) for _, edges in walls])
    distance = np.linalg.norm(centre[None] - centre[:, None], axis=2)
    areas = [_area(edges, *(k for k in range(3) if k != axis)) for axis, edges in walls]
    return factors, distance, np.concatenate(areas), np.repeat(np.arange(6), n_of)


def lambert_time(size, absorption, step, speed_of_sound=343.2):
    """Reverberation time, s, of a box; absorption (6,) of its walls in the order of `intervals`."""
    factors, distance, area, wall = view_factors(size, step)
    absorption = np.asarray(absorption, dtype=float)[wall]
    reflected = (1.0 - absorption)[:, None] * factors

    def excess(rate):
        matrix = reflected * np.exp(rate * distance / speed_of_sound)
        value = eigs(matrix, k=1, return_eigenvectors=False, v0=np.ones(len(matrix)), tol=1e-8)
        return np.log(value[0].real)

    sabine = speed_of_sound * (absorption * area).sum() / (4.0 * np.prod(size))
    rate = brentq(excess, 0.1 * sabine, 4.0 * sabine, xtol=1e-5 * sabine)
    return 6.0 * np.log(10.0) / rate
