"""Image-source paths: construct, then prove by walking them that every leg is free."""

from __future__ import annotations

import math

import numpy as np

from .._jit import KERNEL_OPTIONS, njit
from ._closest import STACK_SIZE, WIDTH, closest_hit

MAX_EVENTS = 24
"""Reflections and passages through sheets on one path."""
_TOLERANCE = 1e-3
"""m by which a hit may lie off the expected plane: single precision at 100 m, with room to spare."""
_NO_LENGTH = 1e-6
"""m. A leg as short as this has no direction: a source or a seat on a surface has no image in it."""
_PRECISE = {**KERNEL_OPTIONS, "fastmath": {"contract"}}


@njit(**_PRECISE)
def walk_leg(
    px, py, pz, qx, qy, qz, wanted, skip, nodes, children, packs, primitives, patch_of, mirror_of, is_sheet,
    events, n_events, stack, stack_entry, lanes,
):  # fmt: skip
    """Go from p to q. With `wanted` >= 0, q must lie on a primitive of that mirror; with -1 the way to q must be
    free. Sheets on the way are passed and noted.

    Returns (new number of events, primitive at q or -1, ok). Events are written from the receiver's end.
    """
    dx, dy, dz = qx - px, qy - py, qz - pz
    length = math.sqrt(dx * dx + dy * dy + dz * dz)
    if length < _NO_LENGTH:
        return n_events, np.int32(-1), False
    dx, dy, dz = dx / length, dy / length, dz / length
    gone = 0.0
    while True:
        far = np.float32(length - gone + _TOLERANCE)
        t, hit = closest_hit(
            np.float32(px + gone * dx), np.float32(py + gone * dy), np.float32(pz + gone * dz),
            np.float32(dx), np.float32(dy), np.float32(dz), skip, far,
            nodes, children, packs, primitives, stack, stack_entry, lanes,
        )  # fmt: skip
        if hit < 0:
            return n_events, np.int32(-1), wanted < 0
        gone += t
        at_end = gone > length - _TOLERANCE
        if wanted >= 0 and at_end and mirror_of[hit] == wanted:
            return n_events, hit, True
        if wanted < 0 and at_end:
            return n_events, np.int32(-1), True
        if not is_sheet[patch_of[hit]] or n_events >= MAX_EVENTS - 1:
            return n_events, np.int32(-1), False
        events[n_events] = 3 * patch_of[hit] + 2
        n_events += 1
        skip = hit


@njit(**_PRECISE)
def find_paths(
    source, receivers, first, planes, lower, upper, sequences, order_of, images, max_length,
    geometry, is_sheet, out_receiver, out_length, out_launch, out_events, out_n_events, out_order,
):  # fmt: skip
    """All valid paths from one source to receivers (n, 3), numbered from `first`.

    sequences (n_images, 3) int32: mirrors in the order in which sound meets them, -1 beyond the order of the image;
    images (n_images, 4, 3) float64: source and its images after 0, 1, ... reflections. lower, upper (n_mirrors, 3):
    boxes round the primitives of each mirror. Returns the number of paths, or -1 if the outputs are too short.
    """
    nodes, children, packs, primitives = (
        geometry.nodes,
        geometry.children,
        geometry.packs,
        geometry.primitives,
    )
    patch_of, mirror_of = geometry.patch, geometry.mirror
    stack = np.empty(STACK_SIZE, np.int32)
    stack_entry = np.empty(STACK_SIZE, np.float32)
    lanes = np.empty(2 * WIDTH, np.float32)
    events = np.empty(MAX_EVENTS, np.uint16)
    points = np.empty((4, 3))
    n_paths = 0
    for r in range(len(receivers)):
        rx, ry, rz = receivers[r, 0], receivers[r, 1], receivers[r, 2]
        for i in range(len(sequences)):
            order = order_of[i]
            ix, iy, iz = images[i, order, 0], images[i, order, 1], images[i, order, 2]
            total = math.sqrt((ix - rx) ** 2 + (iy - ry) ** 2 + (iz - rz) ** 2)
            if total > max_length:
                continue
            # Reflection points, from the receiver backwards; the cheapest tests come first.
            x, y, z = rx, ry, rz
            valid = True
            for k in range(order - 1, -1, -1):
                plane = planes[sequences[i, k]]
                ix, iy, iz = images[i, k + 1, 0], images[i, k + 1, 1], images[i, k + 1, 2]
                side_here = plane[0] * x + plane[1] * y + plane[2] * z + plane[3]
                side_image = plane[0] * ix + plane[1] * iy + plane[2] * iz + plane[3]
                if side_here * side_image >= 0.0:
                    valid = False
                    break
                share = side_here / (side_here - side_image)
                x, y, z = x + share * (ix - x), y + share * (iy - y), z + share * (iz - z)
                m = sequences[i, k]
                if (
                    x < lower[m, 0] or x > upper[m, 0] or y < lower[m, 1] or y > upper[m, 1]
                    or z < lower[m, 2] or z > upper[m, 2]
                ):  # fmt: skip
                    valid = False
                    break
                points[k, 0], points[k, 1], points[k, 2] = x, y, z
            if not valid:
                continue

            n_events = 0
            skip = np.int32(-1)
            x, y, z = rx, ry, rz
            for k in range(order - 1, -1, -1):
                n_events, hit, ok = walk_leg(
                    x, y, z, points[k, 0], points[k, 1], points[k, 2], sequences[i, k], skip,
                    nodes, children, packs, primitives, patch_of, mirror_of, is_sheet, events, n_events,
                    stack, stack_entry, lanes,
                )  # fmt: skip
                if not ok:
                    valid = False
                    break
                events[n_events] = 3 * patch_of[hit]
                n_events += 1
                skip = hit
                x, y, z = points[k, 0], points[k, 1], points[k, 2]
            if not valid:
                continue
            n_events, hit, ok = walk_leg(
                x, y, z, source[0], source[1], source[2], -1, skip,
                nodes, children, packs, primitives, patch_of, mirror_of, is_sheet, events, n_events,
                stack, stack_entry, lanes,
            )  # fmt: skip
            if not ok:
                continue
            if n_paths == len(out_receiver):
                return -1
            leg = math.sqrt((x - source[0]) ** 2 + (y - source[1]) ** 2 + (z - source[2]) ** 2)
            out_receiver[n_paths] = first + r
            out_length[n_paths] = total
            out_launch[n_paths, 0] = (x - source[0]) / leg
            out_launch[n_paths, 1] = (y - source[1]) / leg
            out_launch[n_paths, 2] = (z - source[2]) / leg
            out_events[n_paths] = events
            out_n_events[n_paths] = n_events
            out_order[n_paths] = order
            n_paths += 1
    return n_paths


@njit(**_PRECISE)
def add_pressures(
    receiver, length, pressure, events, n_events, table, gain, air, first_receiver, together, sum_of_energies
):  # fmt: skip
    """Add the paths of one source to the pressures of one block of receivers, and to the sums of their squares.

    pressure (n_paths, n_bands * n_lines) complex, at launch. table (3 * n_patches, n_scenarios, n_bands) and gain
    (n_scenarios, n_bands), roots of energies; air (n_bands,), 1/m, of pressure. together (n_receivers, n_scenarios,
    n_bands, n_lines) complex, sum_of_energies (n_receivers, n_scenarios, n_bands).
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


@njit(**_PRECISE)
def sum_arrivals(
    receiver, length, order, emission, events, n_events, table, together, gain, air, delay, speed_of_sound, start,
    end, frequencies, first_receiver, place, arrival_time, arrival_energy, direct, modulation,
):  # fmt: skip
    """Write down the paths of one source for one block of receivers and scenarios, and add them to its sums.

    emission (n_paths, 8): squared directivity at launch. table (3 * n_patches, n_scenarios, 8), gain (n_scenarios,
    8). together (n_receivers, n_scenarios, 8): factor by which paths add up in phase. start (n_receivers, 8) s of the
    bins, and `end` s after it, from which on nothing counts. place (n_paths,): number of the arrival.
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
