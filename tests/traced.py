"""Tracing a scene batch by batch without the rest of the program, for tests of ray tracing."""

from __future__ import annotations

import numpy as np

from roomsim.tracing.images import find_image_paths, sum_image_paths
from roomsim.tracing.replay import Replay, time_bins
from roomsim.tracing.sampling_plan import sampling_plan
from roomsim.tracing.trace import Tracer


def traced(scene, duration, n_batches, n_rays, image_order=0, seed=11):
    """Energy per batch (n_batches, n_receivers, n_bins, n_scenarios, 8), early part included; bin edges."""
    plan = sampling_plan(scene)
    edges = time_bins(duration)
    tracer = Tracer(scene, plan, seed, image_order, float(edges[-1]))
    everyone = slice(0, scene.receivers.n_receivers)
    scenarios = slice(0, scene.n_scenarios)
    replay = Replay(scene, plan, edges, scenarios, everyone)
    late = replay.late(n_batches, 1, lambda g: [tracer.trace(0, g, n_rays)], threads=2)
    paths = find_image_paths(scene, image_order, 1e4)
    early = binned(sum_image_paths(scene, paths, edges, np.array([1.0]), scenarios, everyone), edges)
    return late + early, edges


def binned(arrivals, edges):
    """(n_receivers, n_bins, n_scenarios, 8) energy of known arrivals in time bins."""
    n_receivers = len(arrivals.first) - 1
    energy = np.zeros((n_receivers, len(edges) - 1, *arrivals.energy.shape[1:]))
    seat = np.repeat(np.arange(n_receivers), np.diff(arrivals.first))
    for band in range(8):
        place = np.maximum(np.searchsorted(edges, arrivals.time[:, band] + 1e-9, side="right") - 1, 0)
        counts = place < energy.shape[1]
        np.add.at(energy[..., band], (seat[counts], place[counts]), arrivals.energy[counts, :, band])
    return energy


def slope_time(edges, energy, start, stop):
    """Reverberation time from the ratio of two energies: exact for an exponential with any bins."""
    a, b, c = (int(np.flatnonzero(np.isclose(edges, t))[0]) for t in (start, (start + stop) / 2, stop))
    first, second = energy[..., a:b].sum(axis=-1), energy[..., b:c].sum(axis=-1)
    return 6 * np.log(10) * (stop - start) / 2 / np.log(first / second)


def spread_seats(size, n, seed=5, margin=0.8):
    """(n, 3) positions distributed over a box, at least `margin` m from its walls."""
    return np.random.default_rng(seed).uniform(margin, np.array(size) - margin, (n, 3))
