"""Looking through the sets: all of them where that is possible, else by proposals and swaps."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from .candidates import BUDGET, MOST_LISTED, Candidates
from .goals import Goal, ranking
from .surrogate import Surrogate, fit, largest_sum, propose
from .valuation import Valuation

_PROPOSALS, _NEIGHBOURS = 4, 8
"""Sets that the surrogate proposes for the whole budget, and neighbours that are tried, in a round."""
_QUIET_ROUNDS = 3
"""Rounds without anything better after which the search may end."""
_SHARES_OF_BUDGET = (1.0, 0.75, 0.5, 0.3)
"""Budgets for which proposals are made, so that the trade-off front is searched as well as its end."""


@dataclass(frozen=True)
class Searched:
    """What was looked at, and how near to the best the answer is known to be."""

    sets: tuple[int, ...]
    """All sets worked out that break nothing but, maybe, the budget."""
    is_exhaustive: bool
    """All that break nothing but, maybe, the budget were worked out."""
    n_possible: int | None
    """Number of sets that break nothing but, maybe, the budget; None if they were not counted."""
    n_worked_out: int
    goal: Goal
    """What the next figures speak of: the first goal that the best does not reach."""
    error: float
    """Of the surrogate of the goal at sets it was not fitted to; NaN where none was needed."""
    is_local_best: bool
    """No single addition, removal or swap of one element improves on the best."""
    bound: float
    """No allowed set is further above the best than this in the first goal, if each element adds no more to
    a larger set than to the best; 0 where all sets were worked out, NaN where it says nothing."""
    diminishing: float
    """Share of the cases seen in which an element added no more to a larger set; NaN where none was looked
    at."""


def within_budget(candidates: Candidates, sets: Sequence[int], budget: float | None) -> list[int]:
    """Those of the sets that cost no more."""
    if budget is None:
        return list(sets)
    cost = candidates.cost(candidates.bits(sets))
    return [mask for mask, price in zip(sets, cost) if price <= budget * (1.0 + 1e-9)]


def search(
    candidates: Candidates, valuation: Valuation, goals: Sequence[Goal], budget: float | None, most_sets: int
) -> Searched:
    """Work out sets until all are known or the best is found as well as `most_sets` allow."""
    if candidates.n <= MOST_LISTED:
        possible = candidates.all_sets()[candidates.allowed(candidates.all_bits(), but=(BUDGET,))]
        if len(possible) <= most_sets:
            valuation.ensure([int(mask) for mask in possible])
            sets = tuple(int(mask) for mask in possible)
            return Searched(sets, True, len(sets), len(valuation), goals[0], np.nan, True, 0.0, np.nan)
        n_possible: int | None = len(possible)
    else:
        n_possible = None
    return _climb(candidates, valuation, goals, budget, most_sets, n_possible)


def _climb(
    candidates: Candidates,
    valuation: Valuation,
    goals: Sequence[Goal],
    budget: float | None,
    most_sets: int,
    n_possible: int | None,
) -> Searched:
    """Proposals of the surrogate and neighbours of the best so far, round by round, for several budgets."""
    valuation.ensure(_first_sets(candidates, most_sets))
    budgets = _budgets(candidates, budget)
    best, quiet = -1, 0
    while len(valuation) < most_sets:
        surrogates = _fitted(candidates, valuation, goals)
        new: list[int] = []
        for share, limit in zip(_SHARES_OF_BUDGET, budgets):
            known = [*valuation.sets, *new]
            n = _PROPOSALS if share == 1.0 else 1
            new += propose(candidates, goals, surrogates, limit, known, n)
            new += _promising(candidates, valuation, goals, surrogates, limit, new)
        new = new[: most_sets - len(valuation)]
        valuation.ensure(new)
        found = _best(candidates, valuation, goals, budget)
        quiet = quiet + 1 if found == best else 0
        best = found
        if not new or (quiet >= _QUIET_ROUNDS and _is_local_best(candidates, valuation, best, budget)):
            break
    best = _best(candidates, valuation, goals, budget)
    aim = _not_reached(valuation, goals, best)
    bound, diminishing = diminishing_bound(candidates, valuation, aim, best, budget)
    return Searched(
        sets=tuple(_allowed(candidates, valuation.sets)),
        is_exhaustive=False,
        n_possible=n_possible,
        n_worked_out=len(valuation),
        goal=aim,
        error=_fitted(candidates, valuation, [aim])[0].error,
        is_local_best=_is_local_best(candidates, valuation, best, budget),
        bound=bound,
        diminishing=diminishing,
    )


def _not_reached(valuation: Valuation, goals: Sequence[Goal], best: int) -> Goal:
    """The first goal with something left to gain."""
    for goal in goals:
        if not goal.is_reached(float(valuation.estimate(goal.figure.name, [best]).value[0])):
            return goal
    return goals[-1]


def _budgets(candidates: Candidates, budget: float | None) -> list[float | None]:
    whole = float(candidates.cost(candidates.bits([candidates.everything]))[0])
    most = whole if budget is None else min(budget, whole)
    return [most * share for share in _SHARES_OF_BUDGET]


def _allowed(candidates: Candidates, sets: Iterable[int]) -> list[int]:
    masks = list(sets)
    fine = candidates.allowed(candidates.bits(masks), but=(BUDGET,))
    return [mask for mask, is_fine in zip(masks, fine) if is_fine]


def _first_sets(candidates: Candidates, most_sets: int) -> list[int]:
    """Nothing, each element alone, pairs while they are few, and sets filled at random until no more
    fits."""
    rng = np.random.default_rng(candidates.n)
    single = [1 << i for i in range(candidates.n)]
    pairs = [one | other for one, other in combinations(single, 2)]
    chosen = [0, *single]
    room = most_sets // 4
    if len(pairs) > room:
        pairs = [pairs[i] for i in sorted(rng.choice(len(pairs), room, replace=False))]
    # Sets that break a limit would be worked out for nothing but the fit.
    chosen = _allowed(candidates, [*chosen, *pairs])
    for _ in range(2 * candidates.n):
        mask = 0
        for i in rng.permutation(candidates.n):
            wider = mask | (1 << int(i))
            if candidates.allowed(candidates.bits([wider]))[0]:
                mask = wider
        chosen.append(mask)
    return list(dict.fromkeys(chosen))[: max(most_sets // 2, candidates.n + 1)]


def _fitted(candidates: Candidates, valuation: Valuation, goals: Sequence[Goal]) -> list[Surrogate]:
    bits = candidates.bits(valuation.sets)
    return [fit(bits, valuation.estimate(goal.figure.name, valuation.sets).value) for goal in goals]


def _order(
    candidates: Candidates, valuation: Valuation, goals: Sequence[Goal], sets: Sequence[int]
) -> list[int]:
    values = valuation.values([goal.figure.name for goal in goals], sets)
    return [sets[i] for i in ranking(goals, values, candidates.cost(candidates.bits(sets)))]


def _best(candidates: Candidates, valuation: Valuation, goals: Sequence[Goal], budget: float | None) -> int:
    sets = within_budget(candidates, _allowed(candidates, valuation.sets), budget)
    return _order(candidates, valuation, goals, sets)[0]


def neighbours(candidates: Candidates, mask: int, budget: float | None) -> list[int]:
    """Allowed sets that differ by one element added, one removed, or one swapped for another."""
    inside = [1 << i for i in range(candidates.n) if (mask >> i) & 1]
    outside = [1 << i for i in range(candidates.n) if not (mask >> i) & 1]
    near = [mask | one for one in outside] + [mask & ~one for one in inside]
    near += [(mask & ~gone) | come for gone in inside for come in outside]
    return within_budget(candidates, _allowed(candidates, near), budget) if near else []


def _promising(
    candidates: Candidates,
    valuation: Valuation,
    goals: Sequence[Goal],
    surrogates: Sequence[Surrogate],
    budget: float | None,
    but: Sequence[int],
) -> list[int]:
    """Neighbours of the best sets so far that are not known yet, those first that the surrogates like."""
    sets = within_budget(candidates, _allowed(candidates, valuation.sets), budget)
    known = {*valuation.sets, *but}
    near: list[int] = []
    for start in _order(candidates, valuation, goals, sets)[:3]:
        near += [mask for mask in neighbours(candidates, start, budget) if mask not in known]
    near = list(dict.fromkeys(near))
    if not near:
        return []
    bits = candidates.bits(near)
    guessed = {goal.figure.name: fitted.predict(bits) for goal, fitted in zip(goals, surrogates)}
    order = ranking(goals, guessed, candidates.cost(bits))
    return [near[i] for i in order[:_NEIGHBOURS]]


def _is_local_best(candidates: Candidates, valuation: Valuation, mask: int, budget: float | None) -> bool:
    return set(neighbours(candidates, mask, budget)) <= set(valuation.sets)


def diminishing_bound(
    candidates: Candidates, valuation: Valuation, goal: Goal, mask: int, budget: float | None
) -> tuple[float, float]:
    """How far above a set any allowed set can be at most, if returns diminish, and how often they do.

    If every element adds no more to a larger set than to a smaller one, and none takes away, no set is
    above the given one by more than the sum of what its further elements add to that one by themselves:
    Nemhauser, Wolsey and Fisher, Mathematical Programming 14 (1978), 265, Proposition 2.2 (from memory).
    The largest such sum within the limits is a linear program in whole numbers.

    Returns
    -------
    Bound in the goal's measure, and the share of cases seen in which returns diminished; NaN where nothing
    was seen.
    """
    outside = [i for i in range(candidates.n) if not (mask >> i) & 1]
    wider = [mask | (1 << i) for i in outside]
    gains = np.zeros(candidates.n)
    if outside:
        values = goal.worth(valuation.estimate(goal.figure.name, [mask, *wider]).value)
        gains[outside] = np.nan_to_num(np.maximum(values[1:] - values[0], 0.0), posinf=0.0)
    return largest_sum(candidates, budget, gains), _share_diminishing(valuation, goal)


def _share_diminishing(valuation: Valuation, goal: Goal) -> float:
    """Share of pairs of known sets, one within the other, in which an element added no more to the larger.

    Values have errors: what an element adds more, by less than a tenth of what is noticeable, is left out
    of account."""
    slight = 0.1 * (goal.figure.noticeable or 0.03)
    sets = valuation.sets
    worth = dict(zip(sets, goal.worth(valuation.estimate(goal.figure.name, sets).value)))
    held = seen = 0
    for small in sets:
        for one, other in combinations([1 << i for i in range(max(sets).bit_length())], 2):
            if small & (one | other):
                continue
            corners = (small | one, small | other, small | one | other)
            if all(corner in worth for corner in corners) and np.isfinite(worth[small]):
                seen += 1
                extra = worth[corners[2]] - worth[corners[1]] - (worth[corners[0]] - worth[small])
                held += bool(extra <= slight)
    return held / seen if seen else np.nan
