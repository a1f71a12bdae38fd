"""Choosing how events are drawn, so that one set of paths serves all scenarios and bands."""

from __future__ import annotations

import numpy as np

from ..bands import LABELS
from ..scene.scene import Scene
from .paths import SamplingPlan

MAX_COMPONENTS = 12
LEAST_PROBABILITY = 0.02
"""Of any event that is possible in some scenario: no path may be impossible for all components."""
_DEPTH = np.log(100.0)
"""Paths are followed in the mind down to -20 dB: that is where clarity and intelligibility are decided."""

ROULETTE_BELOW = np.float32(0.01)
"""Share of energy below which rays play Russian roulette: -20 dB. What comes later shapes the end of the decay only,
and fewer rays suffice for that."""


def _roulette(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """(n_patches,) float32 twice: share of energy that stays at a hit, and probability of going on in the roulette.

    The share is the mean over bands of the most reflective scenario. Going on with its square root halves the rate
    at which rays die out against the rate at which energy does, so weights fall while rays become fewer.
    """
    staying = np.clip(scene.factors.sum(axis=1).max(axis=1)[:, 1:7].mean(axis=1), 0.05, 1.0).astype(np.float32)
    return staying, np.sqrt(staying)


def sampling_plan(scene: Scene) -> SamplingPlan:
    """Mixture of event probabilities for a scene.

    A state is one scenario in one band: it wants events drawn in proportion to the energies that it sends there.
    For a path of n hits drawn from probabilities q, the second moment of the weight of a state with wishes p is
    about (sum over patches of hit share * sum over events of p^2 / q)^n. Components are added one by one, each for
    the state that is served worst, while the worst state still gains more than all lose by sharing rays.
    """
    wishes, labels = _wishes(scene)
    hit_share = np.array([patch.area * (2 if patch.is_sheet else 1) for patch in scene.patches])
    hit_share /= hit_share.sum()
    n_hits = _n_hits(scene, hit_share)

    possible = (scene.factors > 0).any(axis=(2, 3))
    components = [_floored(wishes.mean(axis=0), possible)]
    names = ["mean"]
    log_moment = [_log_second_moment(wishes, components[0], hit_share, n_hits)]
    best_cost, best_size = np.inf, 1
    while True:
        # Balance heuristic: no worse than the mean over components of the inverse second moments.
        cost = -np.log(np.exp(-np.array(log_moment)).mean(axis=0))
        worst = int(cost.argmax())
        if cost[worst] < best_cost - 1e-3:
            best_cost, best_size = cost[worst], len(components)
        if len(components) == MAX_COMPONENTS or cost[worst] < 0.1:
            break
        components.append(_floored(wishes[worst], possible))
        names.append(labels[worst])
        log_moment.append(_log_second_moment(wishes, components[-1], hit_share, n_hits))
    return SamplingPlan(np.array(components[:best_size]), tuple(names[:best_size]), *_roulette(scene))


def _wishes(scene: Scene) -> tuple[np.ndarray, list[str]]:
    """(n_states, n_patches, 3) event probabilities that each scenario and band would draw with, and its name."""
    factors = scene.factors
    total = factors.sum(axis=1, keepdims=True)
    split = np.where(total > 1e-6, factors / np.maximum(total, 1e-6), np.array([0.5, 0.5, 0.0])[None, :, None, None])
    states = np.moveaxis(split, (2, 3), (0, 1)).reshape(-1, *split.shape[:2])
    labels = [f"{name} {band} Hz" for name in scene.scenarios for band in LABELS]
    rounded = np.round(states, 2).reshape(len(states), -1)
    _, first = np.unique(rounded, axis=0, return_index=True)
    first.sort()
    # All states keep their say in `_n_hits` by scenario; equal wishes are served once.
    return states[first], [labels[i] for i in first]


def _n_hits(scene: Scene, hit_share: np.ndarray) -> float:
    """Hits until the most reverberant state has decayed by 20 dB."""
    staying = np.einsum("p,pesb->sb", hit_share, scene.factors)
    return float(np.clip(_DEPTH / -np.log(np.clip(staying.max(), 1e-3, 0.995)), 2.0, 60.0))


def _floored(probability: np.ndarray, possible: np.ndarray) -> np.ndarray:
    raised = np.where(possible, np.maximum(probability, LEAST_PROBABILITY), 0.0)
    # A patch that absorbs everything in every scenario still needs somewhere for the ray to go.
    dead = ~possible.any(axis=1)
    raised[dead] = (0.0, 1.0, 0.0)
    return raised / raised.sum(axis=1, keepdims=True)


def _log_second_moment(wishes: np.ndarray, q: np.ndarray, hit_share: np.ndarray, n_hits: float) -> np.ndarray:
    ratio = np.where(q > 0, wishes**2 / np.where(q > 0, q, 1.0), 0.0).sum(axis=2)
    return n_hits * np.log(np.maximum(ratio @ hit_share, 1.0))
