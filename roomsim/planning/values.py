"""What each element is worth: alone, as the last one, and on average over all orders of adding (Shapley).

L. S. Shapley, A value for n-person games, in Contributions to the Theory of Games II (1953), 307: the only
division of the whole gain that depends on what elements add to sets, and gives nothing to one that adds
nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import factorial

import numpy as np

from ..estimate import Estimate
from ..metrics.replicated import SeatStatistic
from .valuation import Valuation


@dataclass(frozen=True)
class Values:
    """Gains of elements, (n_players,) each, in the order of the players."""

    alone: Estimate
    last: Estimate
    average: Estimate
    """Over the orders in which the elements may be added; they sum to the gain of all together."""
    order_error: np.ndarray
    """Standard error of `average` from having tried some orders only; 0 where all were."""


def values_of(
    valuation: Valuation, figure: str, players: Sequence[int], n_orders: int | None = None
) -> Values:
    """Value of each player in the game of all of them, limits and relations left aside.

    Parameters
    ----------
    players : a set each, of one element or of several that come together
    n_orders : orders tried, drawn at random in pairs, one the reverse of the other; None for all, by all
    sets"""
    weights, spread = _all_orders(players) if n_orders is None else _some_orders(players, n_orders)
    whole = sum(players)
    alone = _combined(valuation, figure, [{one: 1.0, 0: -1.0} for one in players])
    last = _combined(valuation, figure, [{whole: 1.0, whole & ~one: -1.0} for one in players])
    average = _combined(valuation, figure, weights)
    order_error = np.zeros(len(players))
    if spread:
        each = np.array([_combined(valuation, figure, order).value for order in spread])
        order_error = each.std(axis=0, ddof=1) / np.sqrt(len(each))
    return Values(alone, last, average, order_error)


def sets_needed(players: Sequence[int], n_orders: int | None = None) -> list[int]:
    """The sets that `values_of` works out."""
    weights, _ = _all_orders(players) if n_orders is None else _some_orders(players, n_orders)
    whole = sum(players)
    extra = [mask for one in players for mask in (one, whole & ~one)]
    return list(dict.fromkeys([0, whole, *extra, *(mask for row in weights for mask in row)]))


Weights = list[dict[int, float]]
"""For each player: set -> weight in the sum that is its value."""


def _all_orders(players: Sequence[int]) -> tuple[Weights, list[Weights]]:
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
    return weights, []


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


def _combined(valuation: Valuation, figure: str, weights: Weights) -> Estimate:
    """(n,) sums of weighted sets, with the error of the sum itself."""
    sets = sorted({mask for row in weights for mask in row})
    known = valuation.statistic(figure, sets)
    place = {mask: i for i, mask in enumerate(sets)}
    table = np.zeros((len(weights), len(sets)))
    for i, row in enumerate(weights):
        for mask, weight in row.items():
            table[i, place[mask]] += weight

    # Each row sums to nothing, so that a set without a figure must not count where its weight is nothing.
    def summed(values: np.ndarray) -> np.ndarray:
        terms = np.where(table != 0.0, table * values[..., None, :], 0.0)
        return terms.sum(axis=-1)

    combined = SeatStatistic(
        summed(known.value), summed(known.moved), summed(known.moved_further), known.n_replicates
    )
    return combined.estimate()
