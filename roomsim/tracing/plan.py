"""Choosing how events are drawn, so that one set of paths serves all scenarios and bands."""

from __future__ import annotations

import math

import numpy as np

from ..bands import N_BANDS
from ..scene.scene import DIFFUSE, SPECULAR, TRANSMITTED, Scene
from ._plain import PAIR
from .paths import SamplingPlan

MAX_COMPONENTS = 16
LEAST_PROBABILITY = 0.02
"""Of any event that is possible in some scenario: no path may be impossible for all components."""
LEAST_SHARE = 0.01
"""Of rays for any component."""
_DEPTH = np.log(100.0)
"""Paths are followed in the mind down to -20 dB, so that late ones have components that serve them ..."""
WEIGHED_SHARE = 0.3
"""... but losses are foreseen for the first 6 dB: that fits those measured for intelligibility in a hall with twelve
lines of cloth. Farther down, second moments are ruled by paths too rare to be drawn."""
MAX_STATES = 255
"""That decide how rays branch; beyond it, those are chosen that are least alike."""
N_ANCHORS = 8
"""States, those least alike, that are served as well as by a trace of their own. ..."""
OTHERS_SHARE = 0.3
"""... The others count with this share of their energy: most of what they want, they share with an anchor, and paths
for each of them alone cost more than they are worth until late in the decay."""
UNKNOWN_SHARE = 0.05
"""The same for a state that wants at each sheet what any state wants there. It sees to it that no path is impossible,
nor too rare, for scenarios that the same paths are weighed for later."""
LEAST_FACTOR = 1e-3
"""Below it, energies at a sheet are alike when states are compared."""

ROULETTE = (0.1, 0.5)
"""Share of energy, mean over bands, below which rays play Russian roulette, -10 dB: what comes later shapes the end of
the decay only, and fewer rays suffice for that. Then the power of the energy kept with which they go on: a half halves
the rate at which rays die out against the rate at which energy does, so weights fall while rays become fewer."""
ROULETTE_OF_BRANCHES = (0.3, 0.75)
"""The same where paths branch: the late ones do so most and are shared least, so they cost more."""
ROULETTE_OF_A_BAND = (1.0, 0.5)
"""The same for the energy of each band by itself. The mean dies out with the bands that are absorbed most; then the
others alone keep rays going, so that theirs are never fewer than this, and no weight of theirs can grow. It begins
at once: early sound is served by the mean, and what few bands have to themselves needs fewer rays."""


def _roulette(scene: Scene, branches: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`staying`, `density_at_start` and `density_kept`, as in `SamplingPlan`."""
    # In each band of the scenario that keeps most there, patch by patch: never less than any scenario keeps.
    kept = np.clip(scene.factors.sum(axis=1).max(axis=1), 0.05, 1.0)
    staying = kept[:, 1:7].mean(axis=1)
    below, power = np.array([ROULETTE_OF_BRANCHES if branches else ROULETTE, *[ROULETTE_OF_A_BAND] * N_BANDS]).T
    start = np.zeros(PAIR, np.float32)
    density = np.zeros((len(kept), PAIR), np.float32)
    start[: len(power)] = below**-power
    density[:, : len(power)] = np.column_stack([staying, kept]) ** power
    return staying.astype(np.float32), start, density


def sampling_plan(scene: Scene) -> SamplingPlan:
    """How rays are traced for all scenarios of a scene.

    For the mixture, a state is one scenario in one band: it wants events drawn in proportion to the energies that it
    sends there. For a path of n hits drawn from probabilities q, the second moment of the weight of a state with
    wishes p is about (sum over patches of hit share * sum over events of p^2 / q)^n. Components are added one by one,
    each for the state that is served worst, and rays are shared out so that the states are served as well as can be.
    """
    is_sheet = _is_sheet(scene)
    wishes = _wishes(scene)
    hit_share = _hit_share(scene)
    n_hits = _n_hits(scene, hit_share)
    possible: np.ndarray = np.any(scene.factors > 0, axis=(2, 3))
    # Whether a ray goes through a sheet is not for the components to say.
    possible[is_sheet, TRANSMITTED] = False

    components = [_floored(wishes.mean(axis=0), possible)]
    moments = [_log_moment_of_hit(wishes, components[0], hit_share)]
    while len(components) < MAX_COMPONENTS:
        alike = np.full(len(components), 1.0 / len(components))
        costs = _log_cost(n_hits * np.array(moments), alike)
        worst = int(costs.argmax())
        if costs[worst] < 0.1:
            break
        components.append(_floored(wishes[worst], possible))
        moments.append(_log_moment_of_hit(wishes, components[-1], hit_share))
    share = _best_shares(n_hits * np.array(moments))
    loss = math.exp(_log_cost(WEIGHED_SHARE * n_hits * np.array(moments), share).max())
    probability = np.array(components)
    probability[:, is_sheet, TRANSMITTED] = 1.0
    sheet, wish, state_at_start = _branching(scene)
    roulette = _roulette(scene, int(np.count_nonzero(state_at_start == 1.0)) > 1)
    return SamplingPlan(probability, share, sheet, wish, state_at_start, *roulette, loss)


def _branching(scene: Scene) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Number of the sheet of each patch, wishes there, and states at the start, as in `SamplingPlan`."""
    is_sheet = _is_sheet(scene)
    number = np.where(is_sheet, np.cumsum(is_sheet) - 1, -1).astype(np.int32)
    factors = scene.factors[is_sheet]
    sent = np.stack([factors[:, TRANSMITTED], factors[:, SPECULAR] + factors[:, DIFFUSE]], axis=1)
    most = sent.sum(axis=1).max(axis=(1, 2), initial=0.0)
    sent = sent / np.where(most > 0.0, most, 1.0)[:, None, None, None]
    states = _least_alike(sent.reshape(-1, sent.shape[2] * sent.shape[3]).T)
    unknown = states.max(axis=0, initial=0.0).reshape(sent.shape[:2])
    # Together no more than one branch: else its paths would become ever more.
    unknown /= np.maximum(unknown.sum(axis=1, keepdims=True), 1e-6)
    n_states = len(states) + 1
    padded = 8 * math.ceil(n_states / 8)
    wish = np.zeros((padded, *sent.shape[:2]), np.float32)
    wish[: n_states - 1] = states.reshape(len(states), *sent.shape[:2])
    wish[n_states - 1] = unknown
    start = np.zeros(padded, np.float32)
    start[: n_states - 1] = OTHERS_SHARE
    start[:N_ANCHORS] = 1.0
    start[n_states - 1] = UNKNOWN_SHARE
    start[n_states:] = 0.0
    return number, np.ascontiguousarray(np.moveaxis(wish, 0, -1)), start


def _least_alike(states: np.ndarray) -> np.ndarray:
    """(at most MAX_STATES, n) of the rows of (n_states, n) factors, all different, those farthest apart first.

    Each next one is the farthest from all before (Gonzalez, Theoretical Computer Science 38 (1985), 293), in the
    sum of logarithms, since factors multiply along a path.
    """
    _, first = np.unique(np.round(states, 2), axis=0, return_index=True)
    states = states[np.sort(first)]
    place = np.log(np.maximum(states, LEAST_FACTOR))
    chosen, apart = [0], np.full(len(states), np.inf)
    while len(chosen) < min(MAX_STATES, len(states)):
        apart = np.minimum(apart, np.abs(place - place[chosen[-1]]).sum(axis=1))
        chosen.append(int(apart.argmax()))
    return states[chosen]


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


def _is_sheet(scene: Scene) -> np.ndarray:
    return np.array([patch.is_sheet for patch in scene.patches])


def _hit_share(scene: Scene) -> np.ndarray:
    """(n_patches,) share of all hits, as in a diffuse field: by area."""
    area = np.array([patch.area * patch.sides for patch in scene.patches])
    return area / area.sum()


def _wishes(scene: Scene) -> np.ndarray:
    """(n_states, n_patches, 3) event probabilities that each scenario and band would draw with.

    At a sheet those of the reflections alone; a state in which it reflects nothing takes what comes.
    """
    is_sheet = _is_sheet(scene)
    factors = scene.factors
    total = factors.sum(axis=1, keepdims=True)
    # What absorbs everything has no wish.
    none = np.array([0.5, 0.5, 0.0])[None, :, None, None]
    split = np.where(total > 1e-6, factors / np.maximum(total, 1e-6), none)
    split[is_sheet, TRANSMITTED] = 0.0
    back = split[is_sheet].sum(axis=1, keepdims=True)
    own = split[is_sheet] / np.maximum(back, 1e-6)
    known = back > 1e-6
    others = (own * known).sum(axis=(2, 3), keepdims=True) / np.maximum(known.sum(axis=(2, 3), keepdims=True), 1)
    split[is_sheet] = np.where(known, own, others)
    states = np.moveaxis(split, (2, 3), (0, 1)).reshape(-1, *split.shape[:2])
    rounded = np.round(states, 2).reshape(len(states), -1)
    _, first = np.unique(rounded, axis=0, return_index=True)
    first.sort()
    return states[first]


def _n_hits(scene: Scene, hit_share: np.ndarray) -> float:
    """Hits until the most reverberant state has decayed as far as paths are followed."""
    staying = np.einsum("p,pesb->sb", hit_share, scene.factors)
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
    # What absorbs everything adds nothing.
    return np.log(np.maximum(ratio @ hit_share, 1.0))
