"""Image sources of a box, directly from the lattice of images. Imports numpy only.

Allen and Berkley, J. Acoust. Soc. Am. 65 (1979) 943, Equations (5) to (10), as energies.
"""

from __future__ import annotations

import itertools

import numpy as np


def lattice(size, source, receiver, max_order):
    """(distance (n,), hits (n, 6)) of all images up to an order; hits on the walls x0, x1, y0, y1, z0, z1."""
    distances, hits = [], []
    reach = range(-max_order - 1, max_order + 2)
    for cell in itertools.product(reach, repeat=3):
        for flip in itertools.product((0, 1), repeat=3):
            count = []
            image = []
            for axis in range(3):
                # Image at 2 m L + (1 - 2 q) s meets wall 0 |m - q| times and wall 1 |m| times.
                m, q = cell[axis], flip[axis]
                image.append(2 * m * size[axis] + (1 - 2 * q) * source[axis])
                count += [abs(m - q), abs(m)]
            if sum(count) <= max_order:
                distances.append(np.linalg.norm(np.array(image) - receiver))
                hits.append(count)
    return np.array(distances), np.array(hits)
