"""Ray tracing in a box, one band at a time, in the slow and simple way: no roulette, no weights except energy. Imports
numpy only.

Every ray carries the energy that the walls have not absorbed, and is followed until this is a part in 10^7 or the time
is over. A wall scatters it by Lambert's law or reflects it specularly. Its contribution to a seat is its energy times
the length of its path in the sphere over the volume of the sphere.
"""

from __future__ import annotations

import numpy as np

LEAST = 1e-7


def window_energies(
    size, absorption, scattering, source, seats, windows, n_rays, *, radius=0.5, air=0.0, speed=343.2, seed=0
):
    """(n_seats, n_windows) energy by time after the direct sound, re the source's squared pressure at 1 m.

    absorption, scattering: (6,) of the walls x = 0, x = lx, y = 0, ...; windows (n_windows + 1,) s.
    """
    rng = np.random.default_rng(seed)
    size, seats = np.asarray(size, float), np.asarray(seats, float)
    volume = 4.0 / 3.0 * np.pi * radius**3
    direct = np.linalg.norm(seats - source, axis=1)
    total = np.zeros((len(seats), len(windows) + 1))
    place = np.tile(np.asarray(source, float), (n_rays, 1))
    way = rng.normal(size=(n_rays, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    # 4 pi sr divided among the rays.
    energy, gone = np.full(n_rays, 4.0 * np.pi / n_rays), np.zeros(n_rays)
    first = energy[0]
    while len(place):
        with np.errstate(divide="ignore"):
            to_wall = np.where(way > 0.0, (size - place) / way, np.where(way < 0.0, -place / way, np.inf))
        axis = to_wall.argmin(axis=1)
        rows = np.arange(len(place))
        length = to_wall[rows, axis]
        for i, seat in enumerate(seats):
            away = seat - place
            along = np.einsum("ij,ij->i", away, way)
            half = np.sqrt(np.maximum(radius**2 - np.einsum("ij,ij->i", away, away) + along**2, 0.0))
            enter, leave = np.maximum(along - half, 0.0), np.minimum(along + half, length)
            met = np.flatnonzero((half > 0.0) & (leave > enter))
            path = gone[met] + 0.5 * (enter + leave)[met]
            window = np.searchsorted(windows, (path - direct[i]) / speed, side="right")
            received = energy[met] * np.exp(-air * path) * (leave - enter)[met] / volume
            total[i] += np.bincount(window, received, minlength=len(windows) + 1)
        place = place + length[:, None] * way
        gone = gone + length
        side = (way[rows, axis] > 0.0).astype(int)
        wall = 2 * axis + side
        # Placed exactly on the wall, so that rounding moves no ray out of the room.
        place[rows, axis] = side * size[axis]
        energy = energy * (1.0 - np.asarray(absorption)[wall])
        inwards = np.zeros_like(way)
        inwards[rows, axis] = 1.0 - 2.0 * side
        # A point on the unit sphere about the tip of the normal: Lambert's law.
        random = rng.normal(size=way.shape)
        random = inwards + random / np.linalg.norm(random, axis=1)[:, None]
        mirrored = way.copy()
        mirrored[rows, axis] *= -1.0
        is_scattered = rng.random(len(place)) < np.asarray(scattering)[wall]
        way = np.where(is_scattered[:, None], random / np.linalg.norm(random, axis=1)[:, None], mirrored)
        goes_on = (energy > LEAST * first) & (gone < speed * windows[-1] + direct.max())
        place, way, energy, gone = place[goes_on], way[goes_on], energy[goes_on], gone[goes_on]
    return total[:, 1:-1]
