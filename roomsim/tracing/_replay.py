"""Weighing recorded paths for scenarios: no geometry, only products and sums."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .._jit import KERNEL_OPTIONS, UNCOUNTED_OPTIONS, njit
from ..bands import N_BANDS
from ..scene.scene import TRANSMITTED
from ._closest import add_product, scale_row
from ._memory import LINE, on_lines, prefetch
from ._plain import PAIR
from .paths import BRANCHED, END_OF_RAY, MAX_BRANCHES

TICK = np.float32(0.005)
"""s, the step of the table from time to bin."""
_PREFETCH_DISTANCE = 3
"""Number of deposits by which memory is prefetched in advance."""
_PREFETCH_LENGTH = 16 * LINE
"""Length of a row that is prefetched; the processor prefetches the rest by itself."""
N_PENDING = 6
"""Number of events whose factors `scale_row` applies at once."""
_ONE = np.float32(1.0)
_ZERO = np.float32(0.0)


class Factors(NamedTuple):
    """Factors of the events for a block of scenarios. Scenarios are processed in pairs: 16 numbers."""

    table: np.ndarray
    """((3 * n_patches + 1) * n_pairs * 16,) float32: factor of each event, the last row all ones."""
    is_absorbed: np.ndarray
    """(3 * n_patches, n_pairs) bool: pairs of scenarios in which an event absorbs all energy in all bands."""
    has_absorbed: np.ndarray
    """(3 * n_patches,) bool: any such pair exists."""
    is_sheet: np.ndarray
    """(3 * n_patches,) bool."""
    probability: np.ndarray
    """(n_components, 3 * n_patches) float32."""
    component_share: np.ndarray
    """(n_components,) float32."""
    initial_density: np.ndarray
    """(16,) float32."""
    density_kept: np.ndarray
    """((3 * n_patches + 1) * 16,) float32, the last row all ones. As for the tracer, event by event. The
    probabilities of continuing at each hit multiply to the density after the last, so that the log need not record
    the Russian roulette."""


class Seats(NamedTuple):
    """A block of receivers."""

    first: int
    """Index of the first."""
    start: np.ndarray
    """(n_receivers, 8) float32, s, start of the bins."""
    starts_together: np.ndarray
    """(n_receivers,) bool: the bins start at the same time in all bands."""
    bin_of_tick: np.ndarray
    """(n_ticks,) int32."""
    n_bins: int
    air: np.ndarray
    """(n_metres, 8) float32, attenuation after whole metres."""
    speed_of_sound: np.float32


class Paths(NamedTuple):
    """A `PathLog`, and the level of its source in the block of scenarios."""

    gain: np.ndarray
    """(n_pairs * 16,) float32, source level as energy, 0 where the source is off."""
    scale: np.float32
    """One over the number of batches."""
    delay: np.float32
    """s."""
    ray_end: np.ndarray
    component: np.ndarray
    emission: np.ndarray
    event: np.ndarray
    n_deposits: np.ndarray
    share: np.ndarray
    receiver: np.ndarray
    path_length: np.ndarray
    chord: np.ndarray


class Scratch(NamedTuple):
    """Working memory of the ray and, one level each, of its branches that wait."""

    weights: np.ndarray
    """(n_levels * n_pairs * 16,) float32."""
    listed: np.ndarray
    """(n_levels, n_pairs) int64: pairs of scenarios with energy left."""
    n_listed: np.ndarray
    probability: np.ndarray
    """(n_levels, n_components) float32, of the path, by component."""
    densities: np.ndarray
    """(n_levels * 16,) float32: required densities, which the Russian roulette compares."""
    pending: np.ndarray
    """(N_PENDING,) int64: events whose factors are still to be applied. Applying several at a time saves most of the
    reading and writing."""
    arriving: np.ndarray
    in_cell: np.ndarray
    cells: np.ndarray


def new_scratch(n_pairs, n_components):
    """Working memory for one call of `replay_batch` at a time."""
    n_levels = MAX_BRANCHES + 1
    return Scratch(
        on_lines(np.empty(n_levels * n_pairs * PAIR, np.float32)), np.empty((n_levels, n_pairs), np.int64),
        np.empty(n_levels, np.int64), np.empty((n_levels, n_components), np.float32),
        np.empty(n_levels * PAIR, np.float32), np.empty(N_PENDING, np.int64),
        np.empty(PAIR, np.float32), np.zeros(PAIR, np.float32), np.empty(N_BANDS, np.int64),
    )  # fmt: skip


@njit(inline="always", **KERNEL_OPTIONS)
def begin_ray(ray, paths, factors, scratch):
    """Weights of a ray at its source."""
    for s in range(scratch.listed.shape[1]):
        scratch.listed[0, s] = s
    for j in range(len(paths.gain)):
        scratch.weights[j] = paths.gain[j] * paths.emission[ray, j % N_BANDS] * paths.scale
    for m in range(len(factors.component_share)):
        scratch.probability[0, m] = factors.component_share[m]
    for k in range(PAIR):
        scratch.densities[k] = factors.initial_density[k]


@njit(inline="always", **KERNEL_OPTIONS)
def clear_pending(factors, scratch):
    """No event is pending: all slots refer to the row of ones."""
    for k in range(N_PENDING):
        scratch.pending[k] = len(factors.is_sheet)


@njit(inline="always", **KERNEL_OPTIONS)
def multiply_pending(level, n_listed, factor, factors, scratch):
    """Apply the pending factors to the weights and densities of a level."""
    row = scratch.listed.shape[1] * PAIR
    pending = scratch.pending
    d0, d1, d2, d3, d4, d5 = pending[0], pending[1], pending[2], pending[3], pending[4], pending[5]
    scale_row(
        scratch.densities, level * PAIR, _ONE, factors.density_kept,
        d0 * PAIR, d1 * PAIR, d2 * PAIR, d3 * PAIR, d4 * PAIR, d5 * PAIR,
    )  # fmt: skip
    d0, d1, d2, d3, d4, d5 = d0 * row, d1 * row, d2 * row, d3 * row, d4 * row, d5 * row
    for i in range(n_listed):
        column = scratch.listed[level, i] * PAIR
        scale_row(
            scratch.weights, level * row + column, factor, factors.table, d0 + column, d1 + column,
            d2 + column, d3 + column, d4 + column, d5 + column,
        )  # fmt: skip
    clear_pending(factors, scratch)


@njit(inline="always", **KERNEL_OPTIONS)
def inverse_density(level, scratch):
    """One over the probability of a path, mean over components, times the density that the Russian roulette leaves."""
    total = _ZERO
    for m in range(scratch.probability.shape[1]):
        total += scratch.probability[level, m]
    density = _ZERO
    for k in range(level * PAIR, (level + 1) * PAIR):
        density = max(density, scratch.densities[k])
    return _ONE / (total * min(_ONE, density))


@njit(inline="always", **KERNEL_OPTIONS)
def prefetch_row(deposit, paths, seats, late, row):
    """Start loading the row of a later deposit.

    Rows are scattered over far more memory than the caches hold: without prefetching, waiting for them would take two
    thirds of the replay.
    """
    if deposit < len(paths.receiver):
        seat = np.int64(paths.receiver[deposit]) - seats.first
        if 0 <= seat < len(seats.start):
            time = paths.path_length[deposit] / seats.speed_of_sound + paths.delay - seats.start[seat, 0]
            tick = min(np.int64(max(time, _ZERO) / TICK), len(seats.bin_of_tick) - 1)
            place = (seat * seats.n_bins + seats.bin_of_tick[tick]) * row
            for line in range(0, min(row, _PREFETCH_LENGTH), LINE):
                prefetch(late, place + line)


@njit(inline="always", **KERNEL_OPTIONS)
def cell_at(time, seat, seats):
    """Index of seat and bin in `is_begun`, -1 after the last bin; `time` counts from the start of the bins."""
    tick = np.int64(max(time, _ZERO) / TICK)
    return seat * seats.n_bins + seats.bin_of_tick[tick] if tick < len(seats.bin_of_tick) else np.int64(-1)


@njit(inline="always", **KERNEL_OPTIONS)
def add_to_cell(cell, energy, level, n_listed, late, is_begun, scratch):
    """Add energy (16,), weighted for all scenarios of a level, to a cell, which is zeroed before its first deposit."""
    row = scratch.listed.shape[1] * PAIR
    base = cell * row
    if not is_begun[cell]:
        is_begun[cell] = True
        for j in range(base, base + row):
            late[j] = _ZERO
    for i in range(n_listed):
        column = scratch.listed[level, i] * PAIR
        add_product(late, base + column, scratch.weights, level * row + column, energy)


@njit(inline="always", **KERNEL_OPTIONS)
def add_deposit(deposit, weight, level, n_listed, late, is_begun, paths, seats, scratch):
    """Add the energy of one deposit, if its seat is in the block."""
    seat = np.int64(paths.receiver[deposit]) - seats.first
    if seat < 0 or seat >= len(seats.start):
        return
    arriving, in_cell, cells = scratch.arriving, scratch.in_cell, scratch.cells
    length = paths.path_length[deposit]
    time = length / seats.speed_of_sound + paths.delay
    metre = min(np.int64(length), len(seats.air) - 2)
    part = length - np.float32(metre)
    received = paths.chord[deposit] * weight
    for b in range(N_BANDS):
        air, next_air = seats.air[metre, b], seats.air[metre + 1, b]
        arriving[b] = received * (air + part * (next_air - air))
        arriving[N_BANDS + b] = arriving[b]
    if seats.starts_together[seat]:
        cell = cell_at(time - seats.start[seat, 0], seat, seats)
        if cell >= 0:
            add_to_cell(cell, arriving, level, n_listed, late, is_begun, scratch)
        return
    for b in range(N_BANDS):
        cells[b] = cell_at(time - seats.start[seat, b], seat, seats)
    # Cell by cell, with the bands that belong to it; late in the decay all bands share one cell.
    for leader in range(N_BANDS):
        cell = cells[leader]
        if cell < 0:
            continue
        for b in range(N_BANDS):
            if cells[b] == cell:
                cells[b] = -1
                in_cell[b] = arriving[b]
            else:
                in_cell[b] = _ZERO
            in_cell[N_BANDS + b] = in_cell[b]
        add_to_cell(cell, in_cell, level, n_listed, late, is_begun, scratch)


@njit(inline="always", **KERNEL_OPTIONS)
def branch_off(level, n_listed, scratch):
    """Copy a level to the next: the transmitted branch is followed there while the reflected one waits in this
    level."""
    row = scratch.listed.shape[1] * PAIR
    scratch.n_listed[level] = n_listed
    above = level + 1
    for i in range(n_listed):
        s = scratch.listed[level, i]
        scratch.listed[above, i] = s
        for j in range(s * PAIR, (s + 1) * PAIR):
            scratch.weights[above * row + j] = scratch.weights[level * row + j]
    for m in range(scratch.probability.shape[1]):
        scratch.probability[above, m] = scratch.probability[level, m]
    for k in range(PAIR):
        scratch.densities[above * PAIR + k] = scratch.densities[level * PAIR + k]


@njit(inline="always", **KERNEL_OPTIONS)
def drop_absorbed(event, level, n_listed, factors, scratch):
    """Remove the pairs of scenarios in which an event absorbs all energy from the list; returns the number left."""
    n_left = np.int64(0)
    for i in range(n_listed):
        s = scratch.listed[level, i]
        if not factors.is_absorbed[event, s]:
            scratch.listed[level, n_left] = s
            n_left += 1
    return n_left


@njit(**UNCOUNTED_OPTIONS)
def replay_batch(late, is_begun, paths, factors, seats, scratch):
    """Add one batch of paths to `late` (n_receivers * n_bins * n_pairs * 16,) float32.

    The contents of a bin before its first deposit are ignored: is_begun (n_receivers * n_bins,) bool marks the bins
    that have had one. Arrays therefore need not be zeroed in advance, which would take as long as the deposits where
    those are few.
    """
    n_components = len(factors.component_share)
    n_pairs = scratch.listed.shape[1]
    segment, deposit, n_shares = np.int64(0), np.int64(0), np.int64(0)
    clear_pending(factors, scratch)
    n_pending, factor = 0, _ONE
    for ray in range(len(paths.ray_end)):
        drawn = paths.component[ray]
        begin_ray(ray, paths, factors, scratch)
        level, n_listed = np.int64(0), np.int64(n_pairs)
        while segment < paths.ray_end[ray]:
            event = np.int64(paths.event[segment])
            goes_on = event != END_OF_RAY
            branches = goes_on and event >= BRANCHED
            n_deposits = paths.n_deposits[segment]
            segment += 1
            if n_pending > 0 and (n_deposits > 0 or branches or n_pending == N_PENDING):
                multiply_pending(level, n_listed, factor, factors, scratch)
                n_pending, factor = 0, _ONE
            if n_deposits > 0:
                weight = inverse_density(level, scratch)
                for _ in range(n_deposits):
                    prefetch_row(deposit + _PREFETCH_DISTANCE, paths, seats, late, n_pairs * PAIR)
                    add_deposit(deposit, weight, level, n_listed, late, is_begun, paths, seats, scratch)
                    deposit += 1
            if not goes_on:
                # Continue with the branch that was stored last; what was pending belonged to the one that ended.
                clear_pending(factors, scratch)
                n_pending, factor = 0, _ONE
                if level > 0:
                    level -= 1
                    n_listed = scratch.n_listed[level]
                continue
            if branches:
                event -= BRANCHED
                branch_off(level, n_listed, scratch)
                level += 1
            # Probabilities are relative to the component that drew the ray, so that the numbers stay near one.
            inverse = _ONE / factors.probability[drawn, event]
            if n_components > 1:
                for m in range(n_components):
                    scratch.probability[level, m] *= factors.probability[m, event] * inverse
            scratch.pending[n_pending] = event
            n_pending += 1
            factor *= inverse
            if factors.is_sheet[event]:
                factor /= paths.share[n_shares]
                n_shares += 1
            if factors.has_absorbed[event]:
                n_listed = drop_absorbed(event, level, n_listed, factors, scratch)


@njit(**KERNEL_OPTIONS)
def last_reflections(ray_end, event, none, last):
    """Write to last (n_segments,) int64 the patch at which each segment was last reflected, `none` before the first."""
    waiting = np.empty(MAX_BRANCHES, np.int64)
    segment = np.int64(0)
    for ray in range(len(ray_end)):
        here, n_waiting = np.int64(none), 0
        while segment < ray_end[ray]:
            last[segment] = here
            e = np.int64(event[segment])
            segment += 1
            if e == END_OF_RAY:
                if n_waiting > 0:
                    n_waiting -= 1
                    here = waiting[n_waiting]
            elif e >= BRANCHED:
                waiting[n_waiting] = here
                n_waiting += 1
            elif e % 3 != TRANSMITTED:
                here = e // 3
