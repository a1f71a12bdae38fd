"""The time for which rays are traced: long enough for every reverberation time at every seat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..decay.enclosure import enclosure_of
from ..physics.reverberation import eyring, fitzroy
from ..scene.scene import ReceiverArrays, Scene
from ..tracing.paths import SamplingPlan
from ..tracing.replay import Replay, time_bins
from ..tracing.trace import Tracer

SHORTEST, LONGEST = 0.5, 15.0
"""s."""
PILOT_RAYS = 16384
"""Rays divided between the sources, but at least `FEWEST_RAYS` each."""
FEWEST_RAYS = 512
PILOT_BATCH = 1 << 30
"""Batch number of these rays, which no other batch has, so that their random numbers are independent."""
GROUP = 8.0
"""m, size of the cells whose seats are combined, since few rays pass a single seat."""
FALL = 25.0
"""dB of decay that few rays show reliably: below this the result would depend on single rays."""
LOWEST = 35.0
"""dB, the lower end of the range of T30 (ISO 3382-1:2009, 3.6, from memory), if the decay continues at this rate."""
BEYOND = 1.3
"""Factor on the time for that decay: decays may have more than one slope, and their later part shows the second."""


def tracing_duration(scene: Scene, plan: SamplingPlan, seed: int) -> float:
    """s for which rays are traced in all scenarios, bands and seats: by formula, or longer if a few rays show that this
    is necessary.

    Depends only on what paths depend on, and not on levels, delays, or which sources are on.

    Parameters
    ----------
    plan : sampling plan of the scene
    seed : of the study
    """
    formula = expected_duration(scene)
    return formula if formula >= LONGEST else float(np.clip(_traced_duration(scene, plan, seed), formula, LONGEST))


def expected_duration(scene: Scene) -> float:
    """s in which the level falls by more than 60 dB in the most reverberant scenario and band of a single hall.

    Eyring's reverberation time where the absorption is uniform. Where it is not and little sound is scattered, the
    decay between the least absorbing surfaces takes longer: up to twice as long, by Fitzroy's formula. A fifth is
    added as a margin; later energy is extrapolated. Between 0.5 and 15 s.
    """
    return float(np.clip(1.2 * _longest_times(scene).max(), SHORTEST, LONGEST))


def _longest_times(scene: Scene) -> np.ndarray:
    """(n_scenarios, 8) s."""
    enclosure = enclosure_of(scene)
    shortest = eyring(enclosure)
    return np.broadcast_to(np.fmin(np.fmax(shortest, fitzroy(enclosure)), 2.0 * shortest), (scene.n_scenarios, 8))


def _traced_duration(scene: Scene, plan: SamplingPlan, seed: int) -> float:
    """s in which the slowest decay of any group of seats falls far enough for T30, from a few rays.

    In a reverberant room behind an opening sound decays more slowly than any formula for a single hall predicts. Only
    the scenarios with the longest time by formula in each band are examined.
    """
    sources = replace(
        scene.sources,
        level=np.zeros_like(scene.sources.level),
        delay=np.zeros_like(scene.sources.delay),
        active=np.ones_like(scene.sources.active),
    )
    scene = replace(scene, sources=sources)
    edges = time_bins(LONGEST)
    tracer = Tracer(scene, plan, seed, 0, float(edges[-1]))
    n_sources = len(sources.names)
    n_rays = max(FEWEST_RAYS, PILOT_RAYS // n_sources)
    group, groups = _groups(scene.receivers)
    logs = [tracer.trace(source, PILOT_BATCH, n_rays) for source in range(n_sources)]
    logs = [replace(log, receiver=group[log.receiver].astype(np.uint32)) for log in logs]
    chosen = np.unique(_longest_times(scene).argmax(axis=0))
    replay = Replay(replace(scene, receivers=groups), plan, edges, chosen, slice(0, len(groups.position)))
    energy = replay.late(1, 1, lambda _: logs)[0].astype(np.float64)
    remaining = energy[:, ::-1].cumsum(axis=1)[:, ::-1]
    # The last bin that begins above the end of this range of decay; groups that no ray reaches have none.
    is_above = remaining > 10.0 ** (-FALL / 10.0) * remaining[:, :1]
    falls_for = (is_above * edges[1:, None, None]).max()
    return BEYOND * LOWEST / FALL * float(falls_for)


def _groups(receivers: ReceiverArrays) -> tuple[np.ndarray, ReceiverArrays]:
    """(n_receivers,) group number of each seat; and the groups as receivers, each at one of its seats."""
    cell = np.floor(receivers.position / GROUP).astype(np.int64)
    _, first, group = np.unique(
        np.column_stack([receivers.area, cell]), axis=0, return_index=True, return_inverse=True
    )
    per_seat = ("position", "area", "row", "column", "cell")
    return group.ravel(), replace(receivers, **{name: getattr(receivers, name)[first] for name in per_seat})
