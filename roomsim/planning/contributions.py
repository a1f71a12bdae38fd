"""What each element contributes: first, last, and on average over all orders of adding (Shapley value).

L. S. Shapley, A value for n-person games, in Contributions to the Theory of Games II (1953), 307: the only
division of the whole gain that depends on what elements add to sets, and gives nothing to one that adds
nothing."""

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
    """Contributions of all candidates and of the elements of a plan to every measure.

    Parameters
    ----------
    n_orders : orders tried for all candidates; None for all, as always for the plan
    """
    everyone = [1 << i for i in range(candidates.n)]
    inside = [one for one in everyone if one & plan]
    return tuple(
        contributions(candidates, evaluator, name, players, of_plan=of_plan, n_orders=orders)
        for players, of_plan, orders in ((everyone, False, n_orders), (inside, True, None))
        for name in (measures if len(players) > 1 else ())
    )


def contributions(
    candidates: Candidates, evaluator: SetEvaluator, measure: str, players: Sequence[int], *, of_plan: bool = False,
    n_orders: int | None = None,
) -> ContributionTable:  # fmt: skip
    """Contribution of each player to the gain of all of them, limits and relations ignored.

    Parameters
    ----------
    players : sets of one element each, in the order of the candidates
    n_orders : orders tried, drawn at random in pairs, one the reverse of the other; None for all, by all
    sets
    """
    weights, spread = _weights(players, n_orders)
    whole = sum(players)
    first = _combined(evaluator, measure, [{one: 1.0, 0: -1.0} for one in players])
    last = _combined(evaluator, measure, [{whole: 1.0, whole & ~one: -1.0} for one in players])
    average = _combined(evaluator, measure, weights)
    if spread:
        # The orders that were not tried add to the error.
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
    extra = [mask for one in players for mask in (one, whole & ~one)]
    weights, _ = _weights(players, n_orders)
    return list(dict.fromkeys([0, whole, *extra, *(mask for row in weights for mask in row)]))


Weights = list[dict[int, float]]
"""For each player: set -> weight in the sum that is its contribution."""


def _weights(players: Sequence[int], n_orders: int | None) -> tuple[Weights, list[Weights]]:
    """Weights of the average over orders, and those of each pair of orders where only some are tried."""
    return (_all_orders(players), []) if n_orders is None else _some_orders(players, n_orders)


def _all_orders(players: Sequence[int]) -> Weights:
    n = len(players)
    weights: Weights = [{} for _ in players]
    for chosen in range(1 << n):
        mask = sum(player for i, player in enumerate(players) if (chosen >> i) & 1)
        size = chosen.bit_count()
        for i in range(n):
            if (chosen >> i) & 1:
                share = factorial(size - 1) * factorial(n - size) / factorial(n)
            else:
                share = -factorial(size) * factorial(n - size - 1) / factorial(n)
            weights[i][mask] = weights[i].get(mask, 0.0) + share
    return weights


def _some_orders(players: Sequence[int], n_orders: int) -> tuple[Weights, list[Weights]]:
    rng = np.random.default_rng(0)
    n_pairs = max(2, n_orders // 2)
    spread = []
    total: Weights = [{} for _ in players]
    for _ in range(n_pairs):
        order = rng.permutation(len(players))
        pair: Weights = [{} for _ in players]
        # An order and its reverse: what comes early in one comes late in the other, which steadies the mean.
        for way in (order, order[::-1]):
            mask = 0
            for i in way:
                for place, sign in ((mask | players[i], 0.5), (mask, -0.5)):
                    pair[i][place] = pair[i].get(place, 0.0) + sign
                    total[i][place] = total[i].get(place, 0.0) + sign / n_pairs
                mask |= players[i]
        spread.append(pair)
    return total, spread


def _combined(evaluator: SetEvaluator, measure: str, weights: Weights) -> Estimate:
    """(n,) sums of weighted sets, with the error of the sum itself."""
    sets = sorted({mask for row in weights for mask in row})
    known = evaluator.statistic(measure, sets)
    place = {mask: i for i, mask in enumerate(sets)}
    table = np.zeros((len(weights), len(sets)))
    for i, row in enumerate(weights):
        for mask, weight in row.items():
            table[i, place[mask]] += weight

    # Each row sums to nothing, so that a set without a value must not count where its weight is nothing.
    def summed(values: np.ndarray) -> np.ndarray:
        terms = np.where(table != 0.0, table * values[..., None, :], 0.0)
        return terms.sum(axis=-1)

    combined = SeatStatistic(
        summed(known.value), summed(known.moved), summed(known.moved_further), known.n_replicates
    )
    return combined.estimate()
