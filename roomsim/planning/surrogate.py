"""A model fitted to the evaluated sets: each element's own effect, and the interaction of pairs.

It only proposes sets; what it proposes is evaluated on the paths.
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
"""Penalties that are tried, against the mean square of the columns."""
_PAIRS_AGAINST_MAIN = 4.0
"""Effects of pairs are smaller than those of elements: the same penalty would be too weak for them
(judged)."""
_NODES = 1000
"""Of the search tree for one proposal at most; the best found until then is taken. A limit of time would
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
    """Root mean square of what it misses at sets that it was not fitted to (leave-one-out)."""

    def predict(self, bits: np.ndarray) -> np.ndarray:
        """(n_sets,)."""
        x = bits.astype(float)
        return self.constant + x @ self.main + np.einsum("mi,ik,mk->m", x, self.pair, x)


def fit(bits: np.ndarray, values: np.ndarray) -> Surrogate:
    """Ridge regression on elements and pairs; the penalty is the one with the least leave-one-out error.

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
        # The mean is fitted as well: it takes 1 / n of each set's leverage.
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
    """The limits of the candidates as a mixed-integer program, with a variable for every pair that matters.

    Variables: x (n) chosen, h whether anything hangs, p one for each pair of `pairs`, and one for each
    loudspeaker that a limit counts while it plays. With integer x the others are integers without being
    asked to be: each is driven to one end by the aim or the limit, and held there by x.

    Parameters
    ----------
    pairs : (i, k) -> whether the aims may want it small, and whether they may want it large
    """

    def __init__(
        self,
        candidates: Candidates,
        budget: float | None,
        pairs: Mapping[tuple[int, int], tuple[bool, bool]] | None = None,
    ):
        wanted = dict(pairs or {})
        self.n, self.pairs = candidates.n, list(wanted)
        number = self.n + 1 + len(self.pairs)
        self.size = number + sum(len(row.switched) for row in candidates.rows)
        self._rows: list[np.ndarray] = []
        self._upper: list[float] = []
        # One row at least, which asks for nothing: the solver takes no empty table.
        self.at_most(np.zeros(self.size), 0.0)
        for row in candidates.rows:
            if row.key == BUDGET:
                continue
            weights = np.zeros(self.size)
            weights[: self.n + 1] = np.append(row.weights, row.if_hung)
            for load in row.switched:
                weights[number] = load.load
                silenced = dict.fromkeys(np.flatnonzero(load.off).tolist(), -1.0)
                if load.plays_at_start:
                    self._relate({**silenced, number: -1.0}, -1.0)
                for i in np.flatnonzero(load.on).tolist():
                    self._relate({**silenced, i: 1.0, number: -1.0}, 0.0)
                number += 1
            self.at_most(weights, row.bound)
        if budget is not None:
            price = np.append(candidates.cost_each, candidates.fixed)
            self.at_most(price, budget - candidates.start_cost + 1e-9 * abs(budget))
        for hung in np.flatnonzero(candidates.hangs):
            self._relate({int(hung): 1.0, self.n: -1.0}, 0.0)
        for place, ((i, k), (small, large)) in enumerate(wanted.items(), start=self.n + 1):
            if large:
                self._relate({place: 1.0, i: -1.0}, 0.0)
                self._relate({place: 1.0, k: -1.0}, 0.0)
            if small:
                self._relate({i: 1.0, k: 1.0, place: -1.0}, 1.0)

    def at_most(self, weights: np.ndarray, bound: float) -> None:
        """weights . variables <= bound; weights may be shorter than the variables."""
        self._rows.append(np.pad(weights, (0, self.size - len(weights))))
        self._upper.append(bound)

    def _relate(self, terms: dict[int, float], bound: float) -> None:
        weights = np.zeros(self.size)
        for place, weight in terms.items():
            weights[place] = weight
        self.at_most(weights, bound)

    def leave_out(self, bits: np.ndarray) -> None:
        """Not this set (n,) bool."""
        weights = np.where(bits, 1.0, -1.0)
        self.at_most(weights, float(bits.sum()) - 1.0)

    def weights_of(self, surrogate: Surrogate) -> np.ndarray:
        """(size,) of a surrogate without its constant."""
        pairs = [surrogate.pair[i, k] for i, k in self.pairs]
        return np.concatenate([surrogate.main, [0.0], pairs])

    def most(self, weights: np.ndarray) -> tuple[np.ndarray, float] | None:
        """The set (n,) bool with the largest weights . variables, and an upper bound of that; None if there
        is none."""
        whole = np.zeros(self.size)
        whole[: len(weights)] = weights
        done = milp(
            -whole,
            constraints=LinearConstraint(sparse.csr_array(np.array(self._rows)), ub=np.array(self._upper)),
            integrality=np.arange(self.size) < self.n,
            bounds=Bounds(0.0, 1.0),
            options={"node_limit": _NODES},
        )
        if done.x is None:
            return None
        bound = done.fun if done.mip_dual_bound is None else done.mip_dual_bound
        return done.x[: self.n] > 0.5, -float(bound)


def propose(
    candidates: Candidates,
    goals: Sequence[Goal],
    surrogates: Sequence[Surrogate],
    budget: float | None,
    known: Sequence[int],
    n_sets: int,
) -> list[int]:
    """Up to `n_sets` sets not yet `known` that the surrogates hold for the best within the limits.

    Goal after goal is driven as far as it goes, and may then fall behind by its tolerance for the sake of
    the next.
    """
    pairs = _pairs_that_matter([goal.measure.better * fitted.pair for goal, fitted in zip(goals, surrogates)])
    left_out = list(candidates.bits(known))
    found: list[int] = []
    for _ in range(n_sets):
        model = _Model(candidates, budget, pairs)
        for bits in left_out:
            model.leave_out(bits)
        best: np.ndarray | None = None
        for goal, surrogate in zip(goals, surrogates):
            whole = goal.measure.better * model.weights_of(surrogate)
            answer = model.most(whole)
            if answer is None:
                break
            best = answer[0]
            reached = goal.measure.better * (surrogate.predict(best[None])[0] - surrogate.constant)
            if goal.target is not None:
                reached = min(reached, goal.measure.better * (goal.target - surrogate.constant))
            model.at_most(-whole, -(reached - goal.tolerance) + 1e-9)
        if best is None:
            break
        left_out.append(best)
        found.append(sum(1 << int(i) for i in np.flatnonzero(best)))
    return found


def _pairs_that_matter(effects: Sequence[np.ndarray]) -> dict[tuple[int, int], tuple[bool, bool]]:
    """Pairs with an effect that matters in some goal, and in which directions."""
    slight = [1e-3 * float(np.abs(pair).max()) for pair in effects]
    small = np.any([pair < -limit for pair, limit in zip(effects, slight)], axis=0)
    large = np.any([pair > limit for pair, limit in zip(effects, slight)], axis=0)
    return {(int(i), int(k)): (bool(small[i, k]), bool(large[i, k])) for i, k in np.argwhere(small | large)}


def largest_sum(candidates: Candidates, budget: float | None, weights: np.ndarray) -> float:
    """Upper bound of the sum of weights (n,) over any allowed set."""
    answer = _Model(candidates, budget).most(weights)
    return 0.0 if answer is None else max(answer[1], 0.0) + 0.0
