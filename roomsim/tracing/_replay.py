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
"""s, the unit of the table from time to bin."""
_AHEAD = 3
"""Deposits by which memory is asked for early."""
_ASKED_FOR = 16 * LINE
"""How much of a row: the processor sees by itself that the rest follows."""
N_DUE = 6
"""Events that `scale_row` multiplies in at once."""
_ONE = np.float32(1.0)
_ZERO = np.float32(0.0)


class Factors(NamedTuple):
    """What events do to the weights of a block of scenarios. Scenarios go in pairs: 16 numbers."""

    table: np.ndarray
    """((3 * n_patches + 1) * n_pairs * 16,) float32: factor of each event, the last row all ones."""
    is_blank: np.ndarray
    """(3 * n_patches, n_pairs) bool: pairs of scenarios to which an event leaves nothing in any band."""
    has_blank: np.ndarray
    """(3 * n_patches,) bool: there are such."""
    is_sheet: np.ndarray
    """(3 * n_patches,) bool."""
    probability: np.ndarray
    """(n_components, 3 * n_patches) float32."""
    component_share: np.ndarray
    """(n_components,) float32."""
    initial_density: np.ndarray
    """(16,) float32."""
    density_kept: np.ndarray
    """((3 * n_patches + 1) * 16,) float32, the last row all ones. As for the tracer, event by event. The probabilities
    of having gone on at each hit multiply to the density after the last: nothing need be kept of the roulette."""


class Seats(NamedTuple):
    """A block of receivers."""

    first: int
    """Number of the first."""
    start: np.ndarray
    """(n_receivers, 8) float32, s, where the bins begin."""
    starts_together: np.ndarray
    """(n_receivers,) bool: the bins begin at one time in all bands."""
    bin_of_tick: np.ndarray
    """(n_ticks,) int32."""
    n_bins: int
    air: np.ndarray
    """(n_metres, 8) float32, attenuation after whole metres."""
    speed_of_sound: np.float32


class Paths(NamedTuple):
    """A `PathLog`, and what its source sends in the block of scenarios."""

    gain: np.ndarray
    """(n_pairs * 16,) float32, source level as energy, 0 where off."""
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
    """Working memory: of the ray, and of its branches that wait, by their level."""

    weights: np.ndarray
    """(n_levels * n_pairs * 16,) float32."""
    listed: np.ndarray
    """(n_levels, n_pairs) int64: scenarios that have not lost all."""
    n_listed: np.ndarray
    probability: np.ndarray
    """(n_levels, n_components) float32, of the path, by component."""
    wanted: np.ndarray
    """(n_levels * 16,) float32: densities that the roulette compares."""
    due: np.ndarray
    """(N_DUE,) int64: events whose factors are still to be multiplied in. Some at a time spare most of the reading and
    writing."""
    arriving: np.ndarray
    in_cell: np.ndarray
    cells: np.ndarray


def new_scratch(n_pairs, n_components):
    """Working memory for one call of `replay_batch` at a time."""
    n_levels = MAX_BRANCHES + 1
    return Scratch(
        on_lines(np.empty(n_levels * n_pairs * PAIR, np.float32)), np.empty((n_levels, n_pairs), np.int64),
        np.empty(n_levels, np.int64), np.empty((n_levels, n_components), np.float32),
        np.empty(n_levels * PAIR, np.float32), np.empty(N_DUE, np.int64),
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
        scratch.wanted[k] = factors.initial_density[k]


@njit(inline="always", **KERNEL_OPTIONS)
def clear_due(factors, scratch):
    """Nothing is due: the row of ones, as often as there are places."""
    for k in range(N_DUE):
        scratch.due[k] = len(factors.is_sheet)


@njit(inline="always", **KERNEL_OPTIONS)
def multiply_due(level, n_listed, factor, factors, scratch):
    """Multiply what is due into the weights and densities of a level."""
    row = scratch.listed.shape[1] * PAIR
    due = scratch.due
    d0, d1, d2, d3, d4, d5 = due[0], due[1], due[2], due[3], due[4], due[5]
    scale_row(
        scratch.wanted, level * PAIR, _ONE, factors.density_kept,
        d0 * PAIR, d1 * PAIR, d2 * PAIR, d3 * PAIR, d4 * PAIR, d5 * PAIR,
    )  # fmt: skip
    d0, d1, d2, d3, d4, d5 = d0 * row, d1 * row, d2 * row, d3 * row, d4 * row, d5 * row
    for i in range(n_listed):
        column = scratch.listed[level, i] * PAIR
        scale_row(
            scratch.weights, level * row + column, factor, factors.table, d0 + column, d1 + column,
            d2 + column, d3 + column, d4 + column, d5 + column,
        )  # fmt: skip
    clear_due(factors, scratch)


@njit(inline="always", **KERNEL_OPTIONS)
def balance_of(level, scratch):
    """One over the mean over components of the probability of a path, and over the density of the roulette."""
    total = _ZERO
    for m in range(scratch.probability.shape[1]):
        total += scratch.probability[level, m]
    density = _ZERO
    for k in range(level * PAIR, (level + 1) * PAIR):
        density = max(density, scratch.wanted[k])
    return _ONE / (total * min(_ONE, density))


@njit(inline="always", **KERNEL_OPTIONS)
def ask_ahead(deposit, paths, seats, late, row):
    """Start loading the row of a deposit to come.

    Rows lie anywhere in far more memory than the caches hold: without asking ahead, waiting for them would take two
    thirds of the replay.
    """
    if deposit < len(paths.receiver):
        seat = np.int64(paths.receiver[deposit]) - seats.first
        if 0 <= seat < len(seats.start):
            time = paths.path_length[deposit] / seats.speed_of_sound + paths.delay - seats.start[seat, 0]
            tick = min(np.int64(max(time, _ZERO) / TICK), len(seats.bin_of_tick) - 1)
            place = (seat * seats.n_bins + seats.bin_of_tick[tick]) * row
            for line in range(0, min(row, _ASKED_FOR), LINE):
                prefetch(late, place + line)


@njit(inline="always", **KERNEL_OPTIONS)
def cell_at(time, seat, seats):
    """Place of seat and bin in `is_begun`, -1 after the last bin; `time` counts from the start of the bins."""
    tick = np.int64(max(time, _ZERO) / TICK)
    return seat * seats.n_bins + seats.bin_of_tick[tick] if tick < len(seats.bin_of_tick) else np.int64(-1)


@njit(inline="always", **KERNEL_OPTIONS)
def add_to_cell(cell, energy, level, n_listed, late, is_begun, scratch):
    """Add energy (16,), weighed for all scenarios of a level, to a cell, which is zeroed if it is the first there."""
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
def add_deposit(deposit, balance, level, n_listed, late, is_begun, paths, seats, scratch):
    """Add the energy of one deposit, if its seat is in the block."""
    seat = np.int64(paths.receiver[deposit]) - seats.first
    if seat < 0 or seat >= len(seats.start):
        return
    arriving, in_cell, cells = scratch.arriving, scratch.in_cell, scratch.cells
    length = paths.path_length[deposit]
    time = length / seats.speed_of_sound + paths.delay
    metre = min(np.int64(length), len(seats.air) - 2)
    part = length - np.float32(metre)
    received = paths.chord[deposit] * balance
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
    # Cell by cell, with the bands that it is for; late in the decay there is one for all.
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
    """Copy a level to the one above: the branch that goes through a sheet is worked on above the one that waits."""
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
        scratch.wanted[above * PAIR + k] = scratch.wanted[level * PAIR + k]


@njit(inline="always", **KERNEL_OPTIONS)
def drop_blank(event, level, n_listed, factors, scratch):
    """Take scenarios to which an event leaves nothing off the list; returns how many are left."""
    n_left = np.int64(0)
    for i in range(n_listed):
        s = scratch.listed[level, i]
        if not factors.is_blank[event, s]:
            scratch.listed[level, n_left] = s
            n_left += 1
    return n_left


@njit(**UNCOUNTED_OPTIONS)
def replay_batch(late, is_begun, paths, factors, seats, scratch):
    """Add one batch of paths to `late` (n_receivers * n_bins * n_pairs * 16,) float32.

    What is in a bin before its first deposit does not count: is_begun (n_receivers * n_bins,) bool says where there
    was one. So arrays need not be zeroed before, which takes as long as the deposits do where those are few.
    """
    n_components = len(factors.component_share)
    n_pairs = scratch.listed.shape[1]
    segment, deposit, n_shares = np.int64(0), np.int64(0), np.int64(0)
    clear_due(factors, scratch)
    n_due, factor = 0, _ONE
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
            if n_due > 0 and (n_deposits > 0 or branches or n_due == N_DUE):
                multiply_due(level, n_listed, factor, factors, scratch)
                n_due, factor = 0, _ONE
            if n_deposits > 0:
                balance = balance_of(level, scratch)
                for _ in range(n_deposits):
                    ask_ahead(deposit + _AHEAD, paths, seats, late, n_pairs * PAIR)
                    add_deposit(deposit, balance, level, n_listed, late, is_begun, paths, seats, scratch)
                    deposit += 1
            if not goes_on:
                # On with the branch that has waited least; what was due is lost with the one that ended.
                clear_due(factors, scratch)
                n_due, factor = 0, _ONE
                if level > 0:
                    level -= 1
                    n_listed = scratch.n_listed[level]
                continue
            if branches:
                event -= BRANCHED
                branch_off(level, n_listed, scratch)
                level += 1
            # Everything is kept relative to the component that drew the ray, so that numbers stay near one.
            inverse = _ONE / factors.probability[drawn, event]
            if n_components > 1:
                for m in range(n_components):
                    scratch.probability[level, m] *= factors.probability[m, event] * inverse
            scratch.due[n_due] = event
            n_due += 1
            factor *= inverse
            if factors.is_sheet[event]:
                factor /= paths.share[n_shares]
                n_shares += 1
            if factors.has_blank[event]:
                n_listed = drop_blank(event, level, n_listed, factors, scratch)


@njit(**KERNEL_OPTIONS)
def last_reflections(ray_end, event, none, last):
    """Write to last (n_segments,) int64 the patch that each segment was last reflected at, `none` before the first."""
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
