"""The contribution of each element: added first, added last, and on average over all orders (Shapley value).

L. S. Shapley, A value for n-person games, in Contributions to the Theory of Games II (1953), 307: the only
division of the whole gain that depends only on the gains of elements added to sets, and is zero for an element without
any gain."""

from __future__ import annotations

from collections.abc import Sequence
from math import factorial

import numpy as np

from ..estimate import Estimate
from ..metrics.replicated import SeatStatistic
from ..results.interval import interval_of
from .candidates import Candidates
from .evaluation import SetEvaluator
from .results import Contribution, ContributionTable


def contribution_tables(
    candidates: Candidates, evaluator: SetEvaluator, measures: Sequence[str], plan: int, n_orders: int | None
) -> tuple[ContributionTable, ...]:
    """Contributions of all candidates, and of the elements of a plan, to every measure.

    Parameters
    ----------
    n_orders : orders evaluated for all candidates; None for all orders, as always for the plan
    """
    singles = [1 << i for i in range(candidates.n)]
    of_plan = [one for one in singles if one & plan]
    return tuple(
        contributions(candidates, evaluator, name, players, of_plan=is_plan, n_orders=orders)
        for players, is_plan, orders in ((singles, False, n_orders), (of_plan, True, None))
        for name in (measures if len(players) > 1 else ())
    )


def contributions(
    candidates: Candidates, evaluator: SetEvaluator, measure: str, players: Sequence[int], *, of_plan: bool = False,
    n_orders: int | None = None,
) -> ContributionTable:  # fmt: skip
    """Contribution of each player to the gain of all of them; limits and relations are ignored.

    Parameters
    ----------
    players : sets of one element each, in the order of the candidates
    n_orders : orders evaluated, drawn at random in pairs of an order and its reverse; None for all, from all sets
    """
    weights, spread = _weights(players, n_orders)
    whole = sum(players)
    first = _combined(evaluator, measure, [{one: 1.0, 0: -1.0} for one in players])
    last = _combined(evaluator, measure, [{whole: 1.0, whole & ~one: -1.0} for one in players])
    average = _combined(evaluator, measure, weights)
    if spread:
        # The error includes that of the random choice of orders.
        each = np.array([_combined(evaluator, measure, order).value for order in spread])
        order_error = each.std(axis=0, ddof=1) / np.sqrt(len(each))
        error = np.hypot(average.standard_error, order_error)
        average = Estimate(average.value, error, average.n_replicates)
    rows = [
        Contribution(name, interval_of(first, i), interval_of(average, i), interval_of(last, i))
        for i, name in enumerate(candidates.members(sum(players)))
    ]
    together = interval_of(evaluator.difference(measure, [whole], [0]))
    return ContributionTable(measure, of_plan, together, tuple(rows), n_orders)


def sets_needed(players: Sequence[int], n_orders: int | None = None) -> list[int]:
    """The sets that `contributions` evaluates."""
    whole = sum(players)
    first_and_last = [mask for one in players for mask in (one, whole & ~one)]
    weights, _ = _weights(players, n_orders)
    return list(dict.fromkeys([0, whole, *first_and_last, *(mask for row in weights for mask in row)]))


Weights = list[dict[int, float]]
"""For each player: set -> weight in the sum that is its contribution."""


def _weights(players: Sequence[int], n_orders: int | None) -> tuple[Weights, list[Weights]]:
    """Weights of the average over orders, and those of each pair of orders where only some are evaluated."""
    if n_orders is None:
        return _all_orders(players), []
    rng = np.random.default_rng(0)
    n_pairs = max(2, n_orders // 2)
    spread = []
    total: Weights = [{} for _ in players]
    for _ in range(n_pairs):
        order = rng.permutation(len(players))
        pair: Weights = [{} for _ in players]
        # An order and its reverse: an early place in one is a late place in the other, which reduces the variance.
        for direction in (order, order[::-1]):
            mask = 0
            for i in direction:
                for of, sign in ((mask | players[i], 0.5), (mask, -0.5)):
                    pair[i][of] = pair[i].get(of, 0.0) + sign
                    total[i][of] = total[i].get(of, 0.0) + sign / n_pairs
                mask |= players[i]
        spread.append(pair)
    return total, spread


def _all_orders(players: Sequence[int]) -> Weights:
    n = len(players)
    weights: Weights = [{} for _ in players]
    for chosen in range(1 << n):
        mask = sum(player for i, player in enumerate(players) if (chosen >> i) & 1)
        for i in range(n):
            is_in = (chosen >> i) & 1
            n_before = chosen.bit_count() - is_in
            share = factorial(n_before) * factorial(n - n_before - 1) / factorial(n)
            weights[i][mask] = share if is_in else -share
    return weights


def _combined(evaluator: SetEvaluator, measure: str, weights: Weights) -> Estimate:
    """(n,) sums of weighted sets, with the error of the sum itself."""
    sets = sorted({mask for row in weights for mask in row})
    known = evaluator.statistic(measure, sets)
    table = np.array([[row.get(mask, 0.0) for mask in sets] for row in weights]).reshape(len(weights), len(sets))

    # A set without a value must not count where its weight is zero.
    def summed(values: np.ndarray) -> np.ndarray:
        terms = np.where(table != 0.0, table * values[..., None, :], 0.0)
        return terms.sum(axis=-1)

    combined = SeatStatistic(
        summed(known.value), summed(known.moved), summed(known.moved_further), known.n_replicates
    )
    return combined.estimate()
