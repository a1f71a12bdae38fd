"""Weighing recorded paths for scenarios: no geometry, only products and sums."""

from __future__ import annotations

import numpy as np

from .._jit import KERNEL_OPTIONS, njit
from ..bands import N_BANDS
from ..scene.scene import TRANSMITTED
from ._closest import add_product, scale_row
from ._memory import LINE, prefetch
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


@njit(**KERNEL_OPTIONS)
def replay_batch(
    late, is_begun, weights, table, has_blank, is_blank, is_sheet, probability, component_share,
    density_at_start, density_kept,
    gain, scale, air, delay, speed_of_sound, start, bin_of_tick, first_receiver,
    ray_end, component, emission, event, n_deposits, share, receiver, path_length, chord,
):  # fmt: skip
    """Add one batch of paths to `late` (n_receivers, n_bins, n_pairs * 16) float32.

    What is in a bin before its first deposit does not count: is_begun (n_receivers * n_bins,) bool says where there
    was one. So arrays need not be zeroed before, which takes as long as the deposits do where those are few.
    weights ((MAX_BRANCHES + 1) * n_pairs * 16,) float32: scratch. table (3 * n_patches + 1, n_pairs * 16) float32:
    factor of each event, the last row all ones. is_blank (3 * n_patches, n_pairs) bool: pairs of scenarios to which an
    event leaves nothing in any band; has_blank (3 * n_patches,) bool: there are such. is_sheet (3 * n_patches,) bool.
    density_at_start (16,) and density_kept (3 * n_patches + 1, 16) float32: as for the tracer, event by event, the last
    row all ones. The probabilities of having gone on at each hit multiply to the density after the last: nothing need
    be kept of the roulette. probability (n_components, 3 * n_patches) float32; component_share (n_components,) float32.
    gain (n_pairs * 16) float32: source level as energy, 0 where off. scale: one over the number of
    batches. air (n_metres, 8) float32: attenuation after whole metres. start (n_receivers, 8) float32, s: where the
    bins of this block of receivers begin, of which the first is receiver number `first_receiver`.
    """
    n_receivers, n_bins, row = late.shape
    n_pairs = row // PAIR
    n_components = probability.shape[0]
    # Of the ray, and of its branches that wait. Scenarios go in pairs; those that have lost all are listed no more.
    listed = np.empty((MAX_BRANCHES + 1, n_pairs), np.int64)
    n_listed = np.empty(MAX_BRANCHES + 1, np.int64)
    path_probability = np.empty((MAX_BRANCHES + 1, n_components), np.float32)
    wanted = np.empty((MAX_BRANCHES + 1) * PAIR, np.float32)
    arriving = np.empty(PAIR, np.float32)
    in_cell = np.zeros(PAIR, np.float32)
    cells = np.empty(N_BANDS, np.int64)
    starts_together = np.empty(n_receivers, np.bool_)
    for seat in range(n_receivers):
        starts_together[seat] = start[seat].min() == start[seat].max()
    # Events whose factors are still to be multiplied in: some at a time spare most of the reading and writing.
    ones = np.int64(len(table)) - 1
    due = np.full(N_DUE, ones, np.int64)
    n_due, factor = 0, _ONE
    last_tick = len(bin_of_tick) - 1
    last_metre = len(air) - 2
    # Flat, because a view of a row would be counted in and out at every segment.
    flat_late, flat_table, flat_kept = late.reshape(-1), table.reshape(-1), density_kept.reshape(-1)
    n_all = len(receiver)
    segment, deposit, n_shares = np.int64(0), np.int64(0), np.int64(0)
    for ray in range(len(ray_end)):
        drawn = component[ray]
        for s in range(n_pairs):
            listed[0, s] = s
        for j in range(row):
            weights[j] = gain[j] * emission[ray, j % N_BANDS] * scale
        here, n_here = np.int64(0), np.int64(n_pairs)
        for m in range(n_components):
            path_probability[0, m] = component_share[m]
        for k in range(PAIR):
            wanted[k] = density_at_start[k]
        while segment < ray_end[ray]:
            e = event[segment]
            goes_on, branches = e != END_OF_RAY, False
            if goes_on and e >= BRANCHED:
                e -= np.uint16(BRANCHED)
                branches = True
            is_deposited = n_deposits[segment] > 0
            if n_due > 0 and (is_deposited or branches or n_due == N_DUE):
                level = here * row
                d0, d1, d2, d3, d4, d5 = due[0], due[1], due[2], due[3], due[4], due[5]
                scale_row(
                    wanted, here * PAIR, _ONE, flat_kept,
                    d0 * PAIR, d1 * PAIR, d2 * PAIR, d3 * PAIR, d4 * PAIR, d5 * PAIR,
                )  # fmt: skip
                d0, d1, d2, d3, d4, d5 = d0 * row, d1 * row, d2 * row, d3 * row, d4 * row, d5 * row
                for i in range(n_here):
                    column = listed[here, i] * PAIR
                    scale_row(
                        weights, level + column, factor, flat_table, d0 + column, d1 + column,
                        d2 + column, d3 + column, d4 + column, d5 + column,
                    )  # fmt: skip
                due[:] = ones
                n_due, factor = 0, _ONE
            if is_deposited:
                level = here * row
                total = _ZERO
                for m in range(n_components):
                    total += path_probability[here, m]
                density = _ZERO
                for k in range(here * PAIR, (here + 1) * PAIR):
                    density = max(density, wanted[k])
                balance = _ONE / (total * min(_ONE, density))
                for _ in range(n_deposits[segment]):
                    # The rows lie anywhere in far more memory than the caches hold: without asking ahead, waiting
                    # for them would take two thirds of the replay.
                    ahead = deposit + _AHEAD
                    if ahead < n_all:
                        seat = np.int64(receiver[ahead]) - first_receiver
                        if 0 <= seat < n_receivers:
                            time = path_length[ahead] / speed_of_sound + delay - start[seat, 0]
                            tick = min(np.int64(max(time, _ZERO) / TICK), last_tick)
                            place = (seat * n_bins + bin_of_tick[tick]) * row
                            for line in range(0, min(row, _ASKED_FOR), LINE):
                                prefetch(flat_late, place + line)
                    seat = np.int64(receiver[deposit]) - first_receiver
                    if 0 <= seat < n_receivers:
                        length = path_length[deposit]
                        time = length / speed_of_sound + delay
                        metre = min(np.int64(length), last_metre)
                        part = length - np.float32(metre)
                        received = chord[deposit] * balance
                        for b in range(N_BANDS):
                            arriving[b] = received * (air[metre, b] + part * (air[metre + 1, b] - air[metre, b]))
                            arriving[N_BANDS + b] = arriving[b]
                        if starts_together[seat]:
                            tick = np.int64(max(time - start[seat, 0], _ZERO) / TICK)
                            if tick <= last_tick:
                                cell = seat * n_bins + bin_of_tick[tick]
                                base = cell * row
                                if not is_begun[cell]:
                                    is_begun[cell] = True
                                    for j in range(base, base + row):
                                        flat_late[j] = _ZERO
                                for i in range(n_here):
                                    column = listed[here, i] * PAIR
                                    add_product(flat_late, base + column, weights, level + column, arriving)
                        else:
                            for b in range(N_BANDS):
                                tick = np.int64(max(time - start[seat, b], _ZERO) / TICK)
                                cells[b] = seat * n_bins + bin_of_tick[tick] if tick <= last_tick else -1
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
                                base = cell * row
                                if not is_begun[cell]:
                                    is_begun[cell] = True
                                    for j in range(base, base + row):
                                        flat_late[j] = _ZERO
                                for i in range(n_here):
                                    column = listed[here, i] * PAIR
                                    add_product(flat_late, base + column, weights, level + column, in_cell)
                    deposit += 1
            segment += 1
            if not goes_on:
                # On with the branch that has waited least; what was due is lost with the one that ended.
                due[:] = ones
                n_due, factor = 0, _ONE
                if here > 0:
                    here -= 1
                    n_here = n_listed[here]
                continue
            if branches:
                # The one that goes through is worked on above the one that waits.
                n_listed[here] = n_here
                above = here + 1
                for i in range(n_here):
                    s = listed[here, i]
                    listed[above, i] = s
                    for j in range(s * PAIR, (s + 1) * PAIR):
                        weights[above * row + j] = weights[here * row + j]
                for m in range(n_components):
                    path_probability[above, m] = path_probability[here, m]
                for k in range(PAIR):
                    wanted[above * PAIR + k] = wanted[here * PAIR + k]
                here = above
            # Everything is kept relative to the component that drew the ray, so that numbers stay near one.
            inverse = _ONE / probability[drawn, e]
            if n_components > 1:
                for m in range(n_components):
                    path_probability[here, m] *= probability[m, e] * inverse
            due[n_due] = np.int64(e)
            n_due += 1
            factor *= inverse
            if is_sheet[e]:
                factor /= share[n_shares]
                n_shares += 1
            if has_blank[e]:
                n_left = np.int64(0)
                for i in range(n_here):
                    s = listed[here, i]
                    if not is_blank[e, s]:
                        listed[here, n_left] = s
                        n_left += 1
                n_here = n_left


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
