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
"""Lower limit for any event that is possible in some scenario: no path may be impossible for all components."""
LEAST_SHARE = 0.01
"""Lower limit of the share of rays of a component."""
_DEPTH = np.log(100.0)
"""Components are chosen for paths down to -20 dB, so that late paths are sampled well too."""
WEIGHED_SHARE = 0.3
"""Part of that depth, 6 dB, for which the loss is predicted: it fits the losses measured for speech intelligibility in
a hall with twelve lines of cloth. Farther down, second moments are dominated by paths too rare to be drawn."""
MAX_STATES = 255
"""Number of states that determine how rays branch; of more, the least similar are chosen."""
N_ANCHORS = 8
"""Number of the least similar states, which are sampled as densely as by a trace of their own."""
OTHERS_SHARE = 0.3
"""Density for the other states, relative to that: they share most of their paths with an anchor, and paths for each of
them separately would cost more than they gain until late in the decay."""
UNKNOWN_SHARE = 0.05
"""Density for a state that requires at each sheet what any state requires there. It ensures that no path is impossible,
or too rare, for scenarios that the same paths are weighed for later."""
LEAST_FACTOR = 1e-3
"""Smaller energies at a sheet are considered equal when states are compared."""

ROULETTE = (0.1, 0.5)
"""Share of energy, mean over bands, below which rays play Russian roulette (-10 dB): later sound affects only the end
of the decay, for which fewer rays suffice. Then the power of the energy kept with which rays continue: with one half,
the number of rays in dB decays at half the rate of the energy, so weights fall while rays become fewer."""
ROULETTE_OF_BRANCHES = (0.3, 0.75)
"""The same where paths branch: late paths branch most and are shared least, so they cost more."""
ROULETTE_OF_A_BAND = (1.0, 0.5)
"""The same for the energy of each band by itself. The mean decays with the bands that are absorbed most; then the
densities of the other bands determine how many rays continue, so that no band has fewer rays than this and its weights
cannot grow. It
begins at once: early sound is covered by the mean, and what only few bands contribute needs fewer rays."""


def _roulette(scene: Scene, branches: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`energy_kept`, `initial_density` and `density_kept`, as in `SamplingPlan`."""
    # In each band and at each patch, that of the scenario that absorbs least.
    kept = np.clip(scene.factors.sum(axis=1).max(axis=1), 0.05, 1.0)
    energy_kept = kept[:, 1:7].mean(axis=1)
    below, power = np.array([ROULETTE_OF_BRANCHES if branches else ROULETTE, *[ROULETTE_OF_A_BAND] * N_BANDS]).T
    start = np.zeros(PAIR, np.float32)
    density = np.zeros((len(kept), PAIR), np.float32)
    start[: len(power)] = below**-power
    density[:, : len(power)] = np.column_stack([energy_kept, kept]) ** power
    return energy_kept.astype(np.float32), start, density


def sampling_plan(scene: Scene) -> SamplingPlan:
    """How rays are traced for all scenarios of a scene.

    For the mixture, a state is one scenario in one band: events are best drawn for it in proportion to the energies
    that it sends there. For a path of n hits drawn from probabilities q, the second moment of the weight of a state
    with desired probabilities p is about (sum over patches of hit share * sum over events of p^2 / q)^n. Components are
    added one by one, each for the state that is sampled worst; the shares of rays have the least mean cost over states.
    """
    is_sheet = _is_sheet(scene)
    desired = _desired_probabilities(scene)
    hit_share = _hit_share(scene)
    n_hits = _n_hits(scene, hit_share)
    possible: np.ndarray = np.any(scene.factors > 0, axis=(2, 3))
    # Whether a ray goes through a sheet is not drawn from the components.
    possible[is_sheet, TRANSMITTED] = False

    components = [_floored(desired.mean(axis=0), possible)]
    moments = [_log_moment_of_hit(desired, components[0], hit_share)]
    while len(components) < MAX_COMPONENTS:
        alike = np.full(len(components), 1.0 / len(components))
        costs = _log_cost(n_hits * np.array(moments), alike)
        worst = int(costs.argmax())
        if costs[worst] < 0.1:
            break
        components.append(_floored(desired[worst], possible))
        moments.append(_log_moment_of_hit(desired, components[-1], hit_share))
    share = _best_shares(n_hits * np.array(moments))
    loss = math.exp(_log_cost(WEIGHED_SHARE * n_hits * np.array(moments), share).max())
    probability = np.array(components)
    probability[:, is_sheet, TRANSMITTED] = 1.0
    sheet, sent_energy, initial_state = _branching(scene)
    roulette = _roulette(scene, int(np.count_nonzero(initial_state == 1.0)) > 1)
    return SamplingPlan(probability, share, sheet, sent_energy, initial_state, *roulette, loss)


def _branching(scene: Scene) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Number of the sheet of each patch, energy sent on there, and initial states, as in `SamplingPlan`."""
    is_sheet = _is_sheet(scene)
    number = np.where(is_sheet, np.cumsum(is_sheet) - 1, -1).astype(np.int32)
    factors = scene.factors[is_sheet]
    sent = np.stack([factors[:, TRANSMITTED], factors[:, SPECULAR] + factors[:, DIFFUSE]], axis=1)
    most = sent.sum(axis=1).max(axis=(1, 2), initial=0.0)
    sent = sent / np.where(most > 0.0, most, 1.0)[:, None, None, None]
    states = _least_alike(sent.reshape(-1, sent.shape[2] * sent.shape[3]).T)
    unknown = states.max(axis=0, initial=0.0).reshape(sent.shape[:2])
    # No more than one branch in total: otherwise the number of its paths would grow without limit.
    unknown /= np.maximum(unknown.sum(axis=1, keepdims=True), 1e-6)
    n_states = len(states) + 1
    padded = 8 * math.ceil(n_states / 8)
    sent_energy = np.zeros((padded, *sent.shape[:2]), np.float32)
    sent_energy[: n_states - 1] = states.reshape(len(states), *sent.shape[:2])
    sent_energy[n_states - 1] = unknown
    start = np.full(padded, OTHERS_SHARE, np.float32)
    start[:N_ANCHORS] = 1.0
    start[n_states - 1 :] = UNKNOWN_SHARE
    start[n_states:] = 0.0
    return number, np.ascontiguousarray(np.moveaxis(sent_energy, 0, -1)), start


def _least_alike(states: np.ndarray) -> np.ndarray:
    """(at most MAX_STATES, n) of the rows of (n_states, n) factors, all different, those farthest apart first.

    Each is the farthest from all earlier ones (Gonzalez, Theoretical Computer Science 38 (1985), 293), in the
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
    """(n_states,) log of an upper bound of the second moment under the balance heuristic."""
    return -np.log(share @ np.exp(-log_moment))


def _best_shares(log_moment: np.ndarray) -> np.ndarray:
    """(n_components,) shares of rays that make the mean over states of `_log_cost` least.

    The problem is that of the weights of a mixture of densities, and the solution the same: expectation maximisation
    (Dempster, Laird and Rubin, J. R. Stat. Soc. B 39 (1977), 1).
    """
    reciprocal = np.exp(-np.maximum(log_moment, 0.0))
    share = np.full(len(reciprocal), 1.0 / len(reciprocal))
    for _ in range(100):
        share *= (reciprocal / (share @ reciprocal)).mean(axis=1)
        share = np.maximum(share, LEAST_SHARE)
        share /= share.sum()
    return share


def _is_sheet(scene: Scene) -> np.ndarray:
    return np.array([patch.is_sheet for patch in scene.patches])


def _hit_share(scene: Scene) -> np.ndarray:
    """(n_patches,) share of all hits, as in a diffuse field: by area."""
    area = np.array([patch.area * patch.sides for patch in scene.patches])
    return area / area.sum()


def _desired_probabilities(scene: Scene) -> np.ndarray:
    """(n_states, n_patches, 3) event probabilities with which each scenario and band would be sampled by itself.

    At a sheet those of the reflections alone; a state in which it reflects nothing takes the mean of the others.
    """
    is_sheet = _is_sheet(scene)
    factors = scene.factors
    total = factors.sum(axis=1, keepdims=True)
    # A patch that absorbs everything has no preferred event.
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
    energy_kept = np.einsum("p,pesb->sb", hit_share, scene.factors)
    return float(np.clip(_DEPTH / -np.log(np.clip(energy_kept.max(), 1e-3, 0.995)), 2.0, 60.0))


def _floored(probability: np.ndarray, possible: np.ndarray) -> np.ndarray:
    raised = np.where(possible, np.maximum(probability, LEAST_PROBABILITY), 0.0)
    # A patch that absorbs everything in every scenario still needs an event for the ray.
    dead = ~possible.any(axis=1)
    raised[dead] = (0.0, 1.0, 0.0)
    return raised / raised.sum(axis=1, keepdims=True)


def _log_moment_of_hit(desired: np.ndarray, q: np.ndarray, hit_share: np.ndarray) -> np.ndarray:
    """(n_states,) log of the second moment of the weight that one hit adds, drawn from q (n_patches, 3)."""
    ratio = np.where(q > 0, desired**2 / np.where(q > 0, q, 1.0), 0.0).sum(axis=2)
    # A patch that absorbs everything adds nothing.
    return np.log(np.maximum(ratio @ hit_share, 1.0))
