"""Image-source paths: each is constructed and then traced back to verify that no leg is obstructed."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from .._jit import KERNEL_OPTIONS, UNCOUNTED_OPTIONS, njit
from ..scene.scene import TRANSMITTED
from ._closest import Stack, closest_hit, new_stack

MAX_EVENTS = 24
"""Reflections and passages through sheets on one path."""
_TOLERANCE = 1e-3
"""m by which a hit may lie off the expected plane: well above the resolution of single precision at 100 m."""
_NO_LENGTH = 1e-6
"""m. A shorter leg has no direction: a source or a seat on a surface has no image in that surface."""
_EXACT = {**KERNEL_OPTIONS, "fastmath": {"contract"}}
_EXACT_UNCOUNTED = {**UNCOUNTED_OPTIONS, "fastmath": {"contract"}}


class Search(NamedTuple):
    """The image sources of one source and the surfaces, in which paths are searched for."""

    planes: np.ndarray
    """(n_mirrors, 4)."""
    lower: np.ndarray
    """(n_mirrors, 3), bounding box of the primitives of each mirror."""
    upper: np.ndarray
    sequences: np.ndarray
    """(n_images, 3) int32: mirrors in the order in which sound meets them, -1 beyond the order of the image."""
    order: np.ndarray
    """(n_images,) int32."""
    images: np.ndarray
    """(n_images, 4, 3) float64: source and its images after 0, 1, ... reflections."""
    max_length: float
    is_sheet: np.ndarray


class PathArrays(NamedTuple):
    """The paths of a search, as in `ImagePaths`, in arrays longer than needed."""

    receiver: np.ndarray
    order: np.ndarray
    length: np.ndarray
    direction: np.ndarray
    """(n, 3), in which the path leaves the source."""
    events: np.ndarray
    n_events: np.ndarray


class Scratch(NamedTuple):
    """Working memory of `find_paths`."""

    stack: Stack
    events: np.ndarray
    points: np.ndarray
    """(4, 3): the source, then the reflection points in the order in which sound meets them."""


def new_scratch():
    """Working memory for one call of `find_paths` at a time."""
    return Scratch(new_stack(), np.zeros(MAX_EVENTS, np.uint16), np.empty((4, 3)))


@njit(inline="always", **_EXACT)
def walk_leg(start, end, target, skip, n_events, search, geometry, scratch):
    """Trace from start to end. With `target` >= 0, the end must lie on a primitive of that mirror; with -1 the leg must
    be unobstructed. Free-hanging sheets on the leg are passed and recorded.

    Returns (new number of events, primitive at the end or -1, ok). Events are written from the receiver's end.
    """
    dx, dy, dz = end[0] - start[0], end[1] - start[1], end[2] - start[2]
    length = math.sqrt(dx * dx + dy * dy + dz * dz)
    if length < _NO_LENGTH:
        return n_events, np.int32(-1), False
    dx, dy, dz = dx / length, dy / length, dz / length
    gone = 0.0
    while True:
        far = np.float32(length - gone + _TOLERANCE)
        t, hit = closest_hit(
            np.float32(start[0] + gone * dx), np.float32(start[1] + gone * dy), np.float32(start[2] + gone * dz),
            np.float32(dx), np.float32(dy), np.float32(dz), skip, far, geometry, scratch.stack,
        )  # fmt: skip
        if hit < 0:
            return n_events, np.int32(-1), target < 0
        gone += t
        at_end = gone > length - _TOLERANCE
        if target >= 0 and at_end and geometry.mirror[hit] == target:
            return n_events, hit, True
        if target < 0 and at_end:
            return n_events, np.int32(-1), True
        if not search.is_sheet[geometry.patch[hit]] or n_events >= MAX_EVENTS - 1:
            return n_events, np.int32(-1), False
        scratch.events[n_events] = 3 * geometry.patch[hit] + TRANSMITTED
        n_events += 1
        skip = hit


@njit(inline="always", **_EXACT)
def find_points(i, receiver, search, points):
    """Write the reflection points of image `i`, from the receiver backwards; returns whether each lies between the
    points that it connects, and within the box of its mirror."""
    x, y, z = receiver
    for k in range(search.order[i] - 1, -1, -1):
        m = search.sequences[i, k]
        plane, lower, upper = search.planes[m], search.lower[m], search.upper[m]
        ix, iy, iz = search.images[i, k + 1, 0], search.images[i, k + 1, 1], search.images[i, k + 1, 2]
        side_here = plane[0] * x + plane[1] * y + plane[2] * z + plane[3]
        side_image = plane[0] * ix + plane[1] * iy + plane[2] * iz + plane[3]
        if side_here * side_image >= 0.0:
            return False
        share = side_here / (side_here - side_image)
        x, y, z = x + share * (ix - x), y + share * (iy - y), z + share * (iz - z)
        if x < lower[0] or x > upper[0] or y < lower[1] or y > upper[1] or z < lower[2] or z > upper[2]:
            return False
        points[k + 1, 0], points[k + 1, 1], points[k + 1, 2] = x, y, z
    return True


@njit(inline="always", **_EXACT)
def walk_path(i, receiver, search, geometry, scratch):
    """Trace image path `i` from the receiver to the source; returns (number of events, or -1 if a leg is obstructed,
    and the point at which the last leg begins)."""
    n_events, skip = np.int64(0), np.int32(-1)
    here, last = receiver, receiver
    for k in range(search.order[i], -1, -1):
        end = scratch.points[k, 0], scratch.points[k, 1], scratch.points[k, 2]
        target = search.sequences[i, k - 1] if k > 0 else np.int32(-1)
        n_events, skip, ok = walk_leg(here, end, target, skip, n_events, search, geometry, scratch)
        if not ok:
            return np.int64(-1), last
        if k > 0:
            scratch.events[n_events] = 3 * geometry.patch[skip]
            n_events += 1
        last, here = here, end
    return n_events, last


@njit(**_EXACT_UNCOUNTED)
def find_paths(receivers, first, search, geometry, paths, scratch):
    """All valid paths from one source to receivers (n, 3), numbered from `first`.

    Returns the number of paths, or -1 if there are more than `paths` can hold.
    """
    n_paths = 0
    for axis in range(3):
        scratch.points[0, axis] = search.images[0, 0, axis]
    for r in range(len(receivers)):
        receiver = receivers[r, 0], receivers[r, 1], receivers[r, 2]
        for i in range(len(search.sequences)):
            image = search.images[i, search.order[i]]
            x, y, z = image[0] - receiver[0], image[1] - receiver[1], image[2] - receiver[2]
            total = math.sqrt(x**2 + y**2 + z**2)
            # The cheapest tests come first.
            if total > search.max_length or not find_points(i, receiver, search, scratch.points):
                continue
            n_events, last = walk_path(i, receiver, search, geometry, scratch)
            if n_events < 0:
                continue
            if n_paths == len(paths.receiver):
                return -1
            x, y, z = last[0] - scratch.points[0, 0], last[1] - scratch.points[0, 1], last[2] - scratch.points[0, 2]
            leg = math.sqrt(x**2 + y**2 + z**2)
            paths.receiver[n_paths], paths.order[n_paths], paths.length[n_paths] = first + r, search.order[i], total
            paths.direction[n_paths, 0], paths.direction[n_paths, 1] = x / leg, y / leg
            paths.direction[n_paths, 2] = z / leg
            for k in range(n_events):
                paths.events[n_paths, k] = scratch.events[k]
            paths.n_events[n_paths] = n_events
            n_paths += 1
    return n_paths


@njit(**_EXACT)
def add_pressures(
    receiver, length, pressure, events, n_events, table, gain, air, first_receiver, together, sum_of_energies
):  # fmt: skip
    """Add the paths of one source to the pressures of one block of receivers, and to the sums of their squares.

    pressure (n_paths, n_bands * n_lines) complex, as it leaves the source. table (3 * n_patches, n_scenarios, n_bands)
    and gain (n_scenarios, n_bands), roots of energies; air (n_bands,), 1/m, of pressure. together (n_receivers,
    n_scenarios, n_bands, n_lines) complex, sum_of_energies (n_receivers, n_scenarios, n_bands).
    """
    n_receivers, n_scenarios, n_bands, n_lines = together.shape
    for p in range(len(receiver)):
        seat = np.int64(receiver[p]) - first_receiver
        if seat < 0 or seat >= n_receivers:
            continue
        for b in range(n_bands):
            arrives = math.exp(-air[b] * length[p]) / length[p]
            for s in range(n_scenarios):
                factor = gain[s, b] * arrives
                for k in range(n_events[p]):
                    factor *= table[events[p, k], s, b]
                for line in range(n_lines):
                    arriving = pressure[p, b * n_lines + line] * factor
                    together[seat, s, b, line] += arriving
                    sum_of_energies[seat, s, b] += arriving.real**2 + arriving.imag**2


@njit(**_EXACT)
def sum_arrivals(
    receiver, length, order, emission, events, n_events, table, together, gain, air, delay, speed_of_sound, start,
    end, frequencies, first_receiver, place, arrival_time, arrival_energy, direct, modulation,
):  # fmt: skip
    """Record the paths of one source for one block of receivers and scenarios, and add them to its sums.

    emission (n_paths, 8): squared directivity. table (3 * n_patches, n_scenarios, 8), gain (n_scenarios,
    8). together (n_receivers, n_scenarios, 8): factor by which paths add up in phase. start (n_receivers, 8) s of the
    bins, and `end` s after it, at which the evaluation ends. place (n_paths,): number of the arrival.
    Outputs as in EnergyResponse; modulation as (n_receivers, 14, n_scenarios, 8, 2), real and imaginary.
    """
    n_scenarios, n_bands = gain.shape
    n_receivers = len(start)
    arriving, cosine, sine = np.empty(n_bands), np.empty(n_bands), np.empty(n_bands)
    for p in range(len(receiver)):
        seat = np.int64(receiver[p]) - first_receiver
        if seat < 0 or seat >= n_receivers:
            continue
        distance = length[p]
        time, energy = arrival_time[place[p]], arrival_energy[place[p]]
        for b in range(n_bands):
            time[b] = distance / speed_of_sound + delay - start[seat, b]
            arriving[b] = emission[p, b] * math.exp(-air[b] * distance) / (distance * distance)
            if time[b] >= end:
                arriving[b] = 0.0
        for s in range(n_scenarios):
            for b in range(n_bands):
                e = gain[s, b] * together[seat, s, b] * arriving[b]
                for k in range(n_events[p]):
                    e *= table[events[p, k], s, b]
                energy[s, b] = e
                if order[p] == 0:
                    direct[seat, s, b] += e
        for f in range(len(frequencies)):
            for b in range(n_bands):
                if b > 0 and time[b] == time[b - 1]:
                    cosine[b], sine[b] = cosine[b - 1], sine[b - 1]
                else:
                    phase = 2.0 * math.pi * frequencies[f] * time[b]
                    cosine[b], sine[b] = math.cos(phase), -math.sin(phase)
            for s in range(n_scenarios):
                for b in range(n_bands):
                    modulation[seat, f, s, b, 0] += energy[s, b] * cosine[b]
                    modulation[seat, f, s, b, 1] += energy[s, b] * sine[b]
