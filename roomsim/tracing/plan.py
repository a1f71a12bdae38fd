"""Choosing how events are drawn, so that one set of paths serves all scenarios and bands."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ..bands import LABELS
from ..scene.scene import Scene
from .paths import SamplingPlan

Selected = Sequence[int] | np.ndarray
"""Numbers of scenarios."""

MAX_COMPONENTS = 16
LEAST_PROBABILITY = 0.02
"""Of any event that is possible in some scenario: no path may be impossible for all components."""
LEAST_SHARE = 0.01
"""Of rays for any component."""
REPLAY_SHARE = 0.2
"""What reading, weighing and keeping the paths of a group costs, as a share of tracing it."""
_DEPTH = np.log(100.0)
"""Paths are followed in the mind down to -20 dB, so that late ones have components that serve them ..."""
WEIGHED_SHARE = 0.3
"""... but losses are foreseen for the first 6 dB: that fits those measured for intelligibility in a hall with twelve
lines of cloth. Farther down, second moments are ruled by paths too rare to be drawn."""

ROULETTE_BELOW = np.float32(0.1)
"""Share of energy below which rays play Russian roulette: -10 dB. What comes later shapes the end of the decay only,
and fewer rays suffice for that."""


def _roulette(scene: Scene, scenarios: Selected) -> tuple[np.ndarray, np.ndarray]:
    """(n_patches,) float32 twice: share of energy that stays at a hit, and probability of going on in the roulette.

    The share is the mean over bands of the most reflective scenario. Going on with its square root halves the rate
    at which rays die out against the rate at which energy does, so weights fall while rays become fewer.
    """
    kept = scene.factors[:, :, list(scenarios)].sum(axis=1).max(axis=1)
    staying = np.clip(kept[:, 1:7].mean(axis=1), 0.05, 1.0).astype(np.float32)
    return staying, np.sqrt(staying)


def sampling_plan(scene: Scene, scenarios: Selected | None = None) -> SamplingPlan:
    """Mixture of event probabilities for some scenarios of a scene (all unless said).

    A state is one scenario in one band: it wants events drawn in proportion to the energies that it sends there.
    For a path of n hits drawn from probabilities q, the second moment of the weight of a state with wishes p is
    about (sum over patches of hit share * sum over events of p^2 / q)^n. Components are added one by one, each for
    the state that is served worst, and rays are shared out so that the states are served as well as can be.
    """
    served = range(scene.n_scenarios) if scenarios is None else scenarios
    wishes, labels = _wishes(scene, served)
    hit_share = _hit_share(scene)
    n_hits = _n_hits(scene, hit_share, served)
    possible: np.ndarray = np.any(scene.factors > 0, axis=(2, 3))

    components = [_floored(wishes.mean(axis=0), possible)]
    names = ["mean"]
    moments = [_log_moment_of_hit(wishes, components[0], hit_share)]
    while len(components) < MAX_COMPONENTS:
        alike = np.full(len(components), 1.0 / len(components))
        costs = _log_cost(n_hits * np.array(moments), alike)
        worst = int(costs.argmax())
        if costs[worst] < 0.1:
            break
        components.append(_floored(wishes[worst], possible))
        names.append(labels[worst])
        moments.append(_log_moment_of_hit(wishes, components[-1], hit_share))
    share = _best_shares(n_hits * np.array(moments))
    loss = math.exp(_log_cost(WEIGHED_SHARE * n_hits * np.array(moments), share).max())
    return SamplingPlan(np.array(components), share, tuple(names), *_roulette(scene, served), loss)


def trace_groups(scene: Scene) -> list[tuple[int, ...]]:
    """Scenarios that are best traced together: a partition of all of them, each group in ascending order.

    A group costs one trace times what its worst scenario loses by sharing it. Groups are halved while that pays:
    around the two scenarios that are least alike in the cloth that they hang. Scenarios that differ only in what
    covers surfaces share all paths exactly and always stay together.
    """
    sheets = np.array([patch.is_sheet for patch in scene.patches])
    passing = scene.factors[sheets, 2].mean(axis=2).T if sheets.any() else np.zeros((scene.n_scenarios, 0))
    whole = tuple(range(scene.n_scenarios))
    waiting, settled = [(whole, sampling_plan(scene, whole).loss)], []
    while waiting:
        group, loss = waiting.pop()
        halves = _halves(group, passing)
        if halves is not None:
            parts = [(half, sampling_plan(scene, half).loss) for half in halves]
            if sum(part_loss + REPLAY_SHARE for _, part_loss in parts) < loss + REPLAY_SHARE:
                waiting += parts
                continue
        settled.append(group)
    return sorted(settled)


def best_served(scene: Scene, plans: Sequence[SamplingPlan]) -> np.ndarray:
    """(n_scenarios,) number of the plan that is expected to serve each scenario of a scene best."""
    if len(plans) == 1:
        return np.zeros(scene.n_scenarios, int)
    hit_share = _hit_share(scene)
    best = np.empty(scene.n_scenarios, int)
    for i in range(scene.n_scenarios):
        wishes, _ = _wishes(scene, [i])
        n_hits = _n_hits(scene, hit_share, [i])
        costs = []
        for plan in plans:
            moments = np.array([_log_moment_of_hit(wishes, q, hit_share) for q in plan.probability])
            costs.append(_log_cost(n_hits * moments, plan.share).max())
        best[i] = int(np.argmin(costs))
    return best


def _halves(group: tuple[int, ...], passing: np.ndarray) -> tuple[tuple[int, ...], tuple[int, ...]] | None:
    """A group in two, by which of the two least alike scenarios each is closer to; None if all are alike."""
    own = passing[list(group)]
    # From the mean to the farthest, from there to the farthest again: the two ends, without trying all pairs.
    one = int(((own - own.mean(axis=0)) ** 2).sum(axis=1).argmax())
    from_one = ((own - own[one]) ** 2).sum(axis=1)
    other = int(from_one.argmax())
    if from_one[other] < 1e-6:
        return None
    nearer = from_one <= ((own - own[other]) ** 2).sum(axis=1)
    first = tuple(s for s, here in zip(group, nearer) if here)
    return first, tuple(s for s, here in zip(group, nearer) if not here)


def _log_cost(log_moment: np.ndarray, share: np.ndarray) -> np.ndarray:
    """(n_states,) log of the second moment that the balance heuristic leaves, at most."""
    return -np.log(share @ np.exp(-log_moment))


def _best_shares(log_moment: np.ndarray) -> np.ndarray:
    """(n_components,) shares of rays that make the mean over states of `_log_cost` least.

    The same problem as that of the weights of a mixture of densities, and solved by the same steps: each state gives
    its voice to the components that serve it (Dempster, Laird and Rubin, J. R. Stat. Soc. B 39 (1977), 1).
    """
    served = np.exp(-np.maximum(log_moment, 0.0))
    share = np.full(len(served), 1.0 / len(served))
    for _ in range(100):
        share *= (served / (share @ served)).mean(axis=1)
        share = np.maximum(share, LEAST_SHARE)
        share /= share.sum()
    return share


def _hit_share(scene: Scene) -> np.ndarray:
    """(n_patches,) share of all hits, as in a diffuse field: by area."""
    area = np.array([patch.area * patch.sides for patch in scene.patches])
    return area / area.sum()


def split_of_events(scene: Scene, scenarios: Selected) -> np.ndarray:
    """(n_patches, 3, n_scenarios, 8): the energies that a hit sends on, as shares of what it does not absorb."""
    factors = scene.factors[:, :, list(scenarios)]
    total = factors.sum(axis=1, keepdims=True)
    return np.where(
        total > 1e-6, factors / np.maximum(total, 1e-6), np.array([0.5, 0.5, 0.0])[None, :, None, None]
    )


def _wishes(scene: Scene, scenarios: Selected) -> tuple[np.ndarray, list[str]]:
    """(n_states, n_patches, 3) event probabilities that each scenario and band would draw with, and its name."""
    split = split_of_events(scene, scenarios)
    states = np.moveaxis(split, (2, 3), (0, 1)).reshape(-1, *split.shape[:2])
    labels = [f"{scene.scenarios[i]} {band} Hz" for i in scenarios for band in LABELS]
    rounded = np.round(states, 2).reshape(len(states), -1)
    _, first = np.unique(rounded, axis=0, return_index=True)
    first.sort()
    return states[first], [labels[i] for i in first]


def _n_hits(scene: Scene, hit_share: np.ndarray, scenarios: Selected) -> float:
    """Hits until the most reverberant state has decayed as far as paths are followed."""
    staying = np.einsum("p,pesb->sb", hit_share, scene.factors[:, :, list(scenarios)])
    return float(np.clip(_DEPTH / -np.log(np.clip(staying.max(), 1e-3, 0.995)), 2.0, 60.0))


def _floored(probability: np.ndarray, possible: np.ndarray) -> np.ndarray:
    raised = np.where(possible, np.maximum(probability, LEAST_PROBABILITY), 0.0)
    # A patch that absorbs everything in every scenario still needs somewhere for the ray to go.
    dead = ~possible.any(axis=1)
    raised[dead] = (0.0, 1.0, 0.0)
    return raised / raised.sum(axis=1, keepdims=True)


def _log_moment_of_hit(wishes: np.ndarray, q: np.ndarray, hit_share: np.ndarray) -> np.ndarray:
    """(n_states,) log of the second moment of the weight that one hit adds, drawn from q (n_patches, 3)."""
    ratio = np.where(q > 0, wishes**2 / np.where(q > 0, q, 1.0), 0.0).sum(axis=2)
    return np.log(np.maximum(ratio @ hit_share, 1.0))
