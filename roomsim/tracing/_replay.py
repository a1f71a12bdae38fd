"""Weighing recorded paths for scenarios: no geometry, only products and sums."""

from __future__ import annotations

import numpy as np
from numba import njit

from .._jit import KERNEL_OPTIONS
from ..bands import N_BANDS
from ._closest import add_product
from ._memory import LINE, prefetch
from ._paths import END_OF_RAY

TICK = np.float32(0.005)
"""s, the unit of the table from time to bin."""
_AHEAD = 3
"""Deposits by which memory is asked for early."""
_ASKED_FOR = 8 * LINE
"""How much of a row: the processor sees by itself that the rest follows."""
_ONE = np.float32(1.0)
_ZERO = np.float32(0.0)


@njit(**KERNEL_OPTIONS)
def replay_batch(
    late, table, probability, component_share, staying, keeping, roulette_below,
    gain, scale, air, delay, speed_of_sound, time_zero, bin_of_tick, first_receiver,
    ray_end, component, emission, event, n_deposits, receiver, path_length, chord,
):  # fmt: skip
    """Add one batch of paths to `late` (n_receivers, n_bins, n_scenarios * 8) float32.

    table (3 * n_patches, n_scenarios * 8) float32: factor of each event. probability (n_components, 3 * n_patches)
    float32; component_share (n_components,) float32. staying, keeping (3 * n_patches,) float32 and
    roulette_below: as for the tracer, event by event; the
    product of `staying` is formed in the same order, so that both see the roulette begin at the same hit.
    gain (n_scenarios * 8) float32: source level as energy, 0 where off. scale: one over the number of
    batches. air (n_metres, 8) float32: attenuation after whole metres. time_zero (n_receivers,) float32, s, of this
    block of receivers, which starts at receiver number `first_receiver`.
    """
    n_receivers, n_bins, row = late.shape
    n_scenarios = row // N_BANDS
    n_components = probability.shape[0]
    weight = np.empty(row, np.float32)
    path_probability = np.empty(n_components, np.float32)
    arriving = np.empty(N_BANDS, np.float32)
    last_tick = len(bin_of_tick) - 1
    last_metre = len(air) - 2
    # Flat, because a view of a row would be counted in and out at every segment.
    flat_late, flat_table = late.reshape(-1), table.reshape(-1)
    n_all = len(receiver)
    segment, deposit = np.int64(0), np.int64(0)
    for ray in range(len(ray_end)):
        drawn = component[ray]
        for s in range(n_scenarios):
            for b in range(N_BANDS):
                weight[s * N_BANDS + b] = gain[s * N_BANDS + b] * emission[ray, b] * scale
        for m in range(n_components):
            path_probability[m] = component_share[m]
        survival = _ONE
        while segment < ray_end[ray]:
            n_here = n_deposits[segment]
            if n_here > 0:
                total = _ZERO
                for m in range(n_components):
                    total += path_probability[m]
                balance = _ONE / total
                for _ in range(n_here):
                    # The rows lie anywhere in far more memory than the caches hold: without asking ahead, waiting
                    # for them would take two thirds of the replay.
                    ahead = deposit + _AHEAD
                    if ahead < n_all:
                        seat = np.int64(receiver[ahead]) - first_receiver
                        if 0 <= seat < n_receivers:
                            time = path_length[ahead] / speed_of_sound + delay - time_zero[seat]
                            tick = min(np.int64(max(time, _ZERO) / TICK), last_tick)
                            place = (seat * n_bins + bin_of_tick[tick]) * row
                            for line in range(0, min(row, _ASKED_FOR), LINE):
                                prefetch(flat_late, place + line)
                    seat = np.int64(receiver[deposit]) - first_receiver
                    if 0 <= seat < n_receivers:
                        length = path_length[deposit]
                        time = length / speed_of_sound + delay - time_zero[seat]
                        tick = np.int64(max(time, _ZERO) / TICK)
                        if tick <= last_tick:
                            metre = min(np.int64(length), last_metre)
                            part = length - np.float32(metre)
                            share = chord[deposit] * balance
                            for b in range(N_BANDS):
                                arriving[b] = share * (
                                    air[metre, b] + part * (air[metre + 1, b] - air[metre, b])
                                )
                            base = (seat * n_bins + bin_of_tick[tick]) * row
                            for s in range(n_scenarios):
                                column = np.int64(s) * N_BANDS
                                add_product(flat_late, base + column, weight, column, arriving)
                    deposit += 1
            e = event[segment]
            segment += 1
            if e == END_OF_RAY:
                continue
            # Everything is kept relative to the component that drew the ray, so that numbers stay near one.
            inverse = _ONE / probability[drawn, e]
            survival *= staying[e]
            gained = inverse / keeping[e] if survival < roulette_below else inverse
            base = np.int64(e) * row
            for j in range(row):
                weight[j] *= flat_table[base + j] * gained
            if n_components > 1:
                for m in range(n_components):
                    path_probability[m] *= probability[m, e] * inverse


@njit(**KERNEL_OPTIONS)
def weight_sums(
    wish, probability, component_share, staying, until, ray_end, component, event, total, squares
):
    """Add the weights of paths, followed until `staying` has multiplied down to `until`, to `total` and `squares`.

    wish (3 * n_patches, n_states) float32: probability with which each state would draw each event itself. The weight
    of a path for a state is its probability there over that with which it was drawn.
    """
    n_components, n_states = len(component_share), wish.shape[1]
    weight = np.empty(n_states)
    path_probability = np.empty(n_components)
    first = np.int64(0)
    for ray in range(len(ray_end)):
        drawn = component[ray]
        weight[:] = 1.0
        for m in range(n_components):
            path_probability[m] = component_share[m]
        survival = 1.0
        for segment in range(first, ray_end[ray]):
            e = event[segment]
            if e == END_OF_RAY or survival < until:
                break
            survival *= staying[e]
            inverse = _ONE / probability[drawn, e]
            for j in range(n_states):
                weight[j] *= wish[e, j] * inverse
            for m in range(n_components):
                path_probability[m] *= probability[m, e] * inverse
        first = ray_end[ray]
        balance = 1.0 / path_probability.sum()
        for j in range(n_states):
            total[j] += weight[j] * balance
            squares[j] += (weight[j] * balance) ** 2
