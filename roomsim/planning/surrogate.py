"""A model fitted to the evaluated sets: the effect of each element, and the interaction of pairs.

It only proposes sets; proposals are then evaluated on the paths.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from .candidates import BUDGET, Candidates
from .results import Goal

_RIDGE = 10.0 ** np.arange(-6.0, 3.0)
"""Penalties among which the best is chosen, relative to the mean square of the columns."""
_PAIRS_AGAINST_MAIN = 4.0
"""Factor on the penalty of pairs, whose effects are smaller than those of elements (judged)."""
_NODES = 1000
"""The most nodes of the search tree for one proposal, after which the best solution so far is taken. A time limit would
make results depend on the machine."""


@dataclass(frozen=True)
class Surrogate:
    """constant + main . x + sum over i < k of pair[i, k] x_i x_k."""

    constant: float
    main: np.ndarray
    """(n,)."""
    pair: np.ndarray
    """(n, n), upper triangle."""
    error: float
    """Root mean square of its leave-one-out errors."""

    def predict(self, bits: np.ndarray) -> np.ndarray:
        """(n_sets,)."""
        x = bits.astype(float)
        return self.constant + x @ self.main + np.einsum("mi,ik,mk->m", x, self.pair, x)


def fit(bits: np.ndarray, values: np.ndarray) -> Surrogate:
    """Ridge regression on elements and pairs, with the penalty of the smallest leave-one-out error.

    Parameters
    ----------
    bits : (n_sets, n) bool
    values : (n_sets,), NaN left out
    """
    known = np.isfinite(values)
    x, y = bits[known].astype(float), values[known]
    n = x.shape[1]
    pairs = list(combinations(range(n), 2))
    products = np.stack([x[:, i] * x[:, k] for i, k in pairs], axis=1) if pairs else x[:, :0]
    columns = np.concatenate([x, products], axis=1)
    scale = np.concatenate([np.ones(n), np.full(len(pairs), 1.0 / np.sqrt(_PAIRS_AGAINST_MAIN))])
    middle, centre = columns.mean(axis=0), y.mean()
    u, s, vt = np.linalg.svd((columns - middle) * scale, full_matrices=False)
    best_error, best_weights = np.inf, np.zeros(columns.shape[1])
    for ridge in _RIDGE * max(float((s**2).mean()), 1e-12):
        shrunk = s**2 / (s**2 + ridge)
        fitted = u @ (shrunk * (u.T @ (y - centre)))
        # The mean is fitted as well, which adds 1 / n to the leverage of each set.
        leverage = np.minimum((u**2) @ shrunk + 1.0 / len(y), 1.0 - 1e-9)
        error = float(np.sqrt((((y - centre - fitted) / (1.0 - leverage)) ** 2).mean()))
        if error < best_error:
            best_error = error
            best_weights = scale * (vt.T @ (s / (s**2 + ridge) * (u.T @ (y - centre))))
    pair = np.zeros((n, n))
    for (i, k), weight in zip(pairs, best_weights[n:]):
        pair[i, k] = weight
    return Surrogate(float(centre - middle @ best_weights), best_weights[:n], pair, best_error)


class _Model:
    """The limits of the candidates as a mixed-integer program, with a variable for every relevant pair.

    Variables: x (n) whether an element is chosen, h whether anything hangs, one for each pair of `pairs`, and one for
    each loudspeaker that counts towards a limit while it plays. Only x is constrained to integers: objective and limits
    drive each of the others to one end of its range, where x determines it.

    Parameters
    ----------
    pairs : (i, k) -> whether a small value can be favourable, and whether a large value can be
    """

    def __init__(
        self, candidates: Candidates, budget: float | None, pairs: Mapping[tuple[int, int], tuple[bool, bool]]
    ):
        self.n, self.pairs = candidates.n, list(pairs)
        number = self.n + 1 + len(self.pairs)
        self.size = number + sum(len(row.switched) for row in candidates.rows)
        self._rows: list[np.ndarray] = []
        self._upper: list[float] = []
        # One row without effect: the solver does not accept an empty table.
        self.at_most({}, 0.0)
        for row in candidates.rows:
            if row.key == BUDGET:
                continue
            weights = dict(enumerate([*row.weights, row.if_hung]))
            for load in row.switched:
                weights[number] = load.load
                silenced = dict.fromkeys(np.flatnonzero(load.off).tolist(), -1.0)
                if load.plays_at_start:
                    self.at_most({**silenced, number: -1.0}, -1.0)
                for i in np.flatnonzero(load.on).tolist():
                    self.at_most({**silenced, i: 1.0, number: -1.0}, 0.0)
                number += 1
            self.at_most(weights, row.bound)
        if budget is not None:
            costs = dict(enumerate([*candidates.cost_each, candidates.fixed]))
            self.at_most(costs, budget - candidates.start_cost + 1e-9 * abs(budget))
        for hung in np.flatnonzero(candidates.hangs):
            self.at_most({int(hung): 1.0, self.n: -1.0}, 0.0)
        for place, ((i, k), (small, large)) in enumerate(pairs.items(), start=self.n + 1):
            if large:
                self.at_most({place: 1.0, i: -1.0}, 0.0)
                self.at_most({place: 1.0, k: -1.0}, 0.0)
            if small:
                self.at_most({i: 1.0, k: 1.0, place: -1.0}, 1.0)

    def at_most(self, weights: Mapping[int, float], bound: float) -> None:
        """weights . variables <= bound, with the weights by the index of the variable."""
        self._rows.append(np.array([weights.get(i, 0.0) for i in range(self.size)]))
        self._upper.append(bound)

    def leave_out(self, bits: np.ndarray) -> None:
        """Exclude this set, (n,) bool."""
        self.at_most(dict(enumerate(np.where(bits, 1.0, -1.0))), float(bits.sum()) - 1.0)

    def weights_of(self, surrogate: Surrogate) -> np.ndarray:
        """(size,) of a surrogate without its constant."""
        pairs = [surrogate.pair[i, k] for i, k in self.pairs]
        return np.concatenate([surrogate.main, [0.0], pairs])

    def most(self, weights: np.ndarray) -> tuple[np.ndarray, float] | None:
        """The set (n,) bool with the largest weights . variables, and an upper bound of that sum; None if no set is
        allowed."""
        solution = milp(
            -np.pad(weights, (0, self.size - len(weights))),
            constraints=LinearConstraint(sparse.csr_array(np.array(self._rows)), ub=np.array(self._upper)),
            integrality=np.arange(self.size) < self.n,
            bounds=Bounds(0.0, 1.0),
            options={"node_limit": _NODES},
        )
        if solution.x is None:
            return None
        bound = solution.fun if solution.mip_dual_bound is None else solution.mip_dual_bound
        return solution.x[: self.n] > 0.5, -float(bound)


def propose(
    candidates: Candidates,
    goals: Sequence[Goal],
    surrogates: Sequence[Surrogate],
    budget: float | None,
    known: Sequence[int],
    n_sets: int,
) -> list[int]:
    """Up to `n_sets` sets, none of them in `known`, that are the best within the limits according to the surrogates.

    Goals are maximized one after another; each may then fall below its maximum by its tolerance in favour of the next.
    """
    pairs = _relevant_pairs([goal.measure.better * fitted.pair for goal, fitted in zip(goals, surrogates)])
    left_out = list(candidates.bits(known))
    proposals: list[int] = []
    for _ in range(n_sets):
        model = _Model(candidates, budget, pairs)
        for bits in left_out:
            model.leave_out(bits)
        best: np.ndarray | None = None
        for goal, surrogate in zip(goals, surrogates):
            objective = goal.measure.better * model.weights_of(surrogate)
            largest = model.most(objective)
            if largest is None:
                break
            best = largest[0]
            reached = goal.measure.better * (surrogate.predict(best[None])[0] - surrogate.constant)
            if goal.target is not None:
                reached = min(reached, goal.measure.better * (goal.target - surrogate.constant))
            model.at_most(dict(enumerate(-objective)), -(reached - goal.tolerance) + 1e-9)
        if best is None:
            break
        left_out.append(best)
        proposals.append(sum(1 << int(i) for i in np.flatnonzero(best)))
    return proposals


def _relevant_pairs(effects: Sequence[np.ndarray]) -> dict[tuple[int, int], tuple[bool, bool]]:
    """Pairs with a considerable effect on some goal: whether it is negative for one, and positive for one."""
    slight = [1e-3 * float(np.abs(pair).max()) for pair in effects]
    small = np.any([pair < -limit for pair, limit in zip(effects, slight)], axis=0)
    large = np.any([pair > limit for pair, limit in zip(effects, slight)], axis=0)
    return {(int(i), int(k)): (bool(small[i, k]), bool(large[i, k])) for i, k in np.argwhere(small | large)}


def largest_sum(candidates: Candidates, budget: float | None, weights: np.ndarray) -> float:
    """Upper bound of the sum of weights (n,) over any allowed set."""
    largest = _Model(candidates, budget, {}).most(weights)
    return 0.0 if largest is None else max(largest[1], 0.0) + 0.0
