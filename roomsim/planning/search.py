"""Searching the sets: all of them where that is possible, otherwise by proposals and exchanges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from .candidates import BUDGET, MOST_LISTED
from .evaluation import Problem, SetEvaluator
from .goals import ranking
from .results import Goal, SearchOutcome
from .surrogate import Surrogate, fit, largest_sum, propose

_PROPOSALS, _NEIGHBOURS = 4, 8
"""Sets that the surrogate proposes for the whole budget, and neighbours that are tried, in a round."""
_QUIET_ROUNDS = 3
"""Rounds without anything better after which the search may end."""
_SHARES_OF_BUDGET = (1.0, 0.75, 0.5, 0.3)
"""Budgets for which proposals are made, so that the trade-off front is searched as well as its end."""


def search(problem: Problem, most_sets: int) -> SearchOutcome:
    """Evaluate sets until all are known or the best is found as well as `most_sets` allow."""
    candidates, evaluator = problem.candidates, problem.evaluator
    if candidates.n > MOST_LISTED:
        return _climb(problem, most_sets, None)
    possible = candidates.all_sets()[candidates.allowed(candidates.all_bits(), but=(BUDGET,))]
    if len(possible) > most_sets:
        return _climb(problem, most_sets, len(possible))
    sets = tuple(int(mask) for mask in possible)
    evaluator.ensure(sets)
    nothing = float("nan")
    return SearchOutcome(
        sets, True, len(sets), len(evaluator.sets), problem.goals[0], nothing, True, 0.0, nothing
    )


def _climb(problem: Problem, most_sets: int, n_possible: int | None) -> SearchOutcome:
    """Proposals of the surrogate and neighbours of the best so far, round by round, for several budgets."""
    candidates, evaluator = problem.candidates, problem.evaluator
    evaluator.ensure(_first_sets(problem, most_sets))
    best, quiet = -1, 0
    while len(evaluator.sets) < most_sets:
        surrogates = _fitted(problem, problem.goals)
        new: list[int] = []
        for share, money in zip(_SHARES_OF_BUDGET, _budgets(problem)):
            n = _PROPOSALS if share == 1.0 else 1
            new += propose(candidates, problem.goals, surrogates, money, [*evaluator.sets, *new], n)
            new += _promising(replace(problem, budget=money), surrogates, new)
        new = new[: most_sets - len(evaluator.sets)]
        evaluator.ensure(new)
        found = _best(problem)
        quiet = quiet + 1 if found == best else 0
        best = found
        if not new or (quiet >= _QUIET_ROUNDS and _is_local_best(problem, best)):
            break
    best = _best(problem)
    aim = next((goal for goal in problem.goals if not problem.is_reached(goal, best)), problem.goals[-1])
    bound, diminishing = diminishing_bound(problem, aim, best)
    return SearchOutcome(
        sets=tuple(problem.allowed(evaluator.sets)),
        is_exhaustive=False,
        n_possible=n_possible,
        n_evaluated=len(evaluator.sets),
        goal=aim,
        surrogate_error=_fitted(problem, [aim])[0].error,
        is_local_best=_is_local_best(problem, best),
        bound=bound,
        diminishing=diminishing,
    )


def _budgets(problem: Problem) -> list[float]:
    whole = float(problem.costs([problem.candidates.everything])[0])
    most = whole if problem.budget is None else min(problem.budget, whole)
    return [most * share for share in _SHARES_OF_BUDGET]


def _first_sets(problem: Problem, most_sets: int) -> list[int]:
    """Nothing, each element by itself, pairs while they are few, and sets filled at random until no more
    fits."""
    candidates = problem.candidates
    rng = np.random.default_rng(candidates.n)
    single = [1 << i for i in range(candidates.n)]
    pairs = [one | other for one, other in combinations(single, 2)]
    room = most_sets // 4
    if len(pairs) > room:
        pairs = [pairs[i] for i in sorted(rng.choice(len(pairs), room, replace=False))]
    # Sets that break a limit would be evaluated for nothing but the fit.
    chosen = problem.allowed([0, *single, *pairs])
    for _ in range(2 * candidates.n):
        mask = 0
        for i in rng.permutation(candidates.n):
            wider = mask | (1 << int(i))
            if candidates.allowed(candidates.bits([wider]))[0]:
                mask = wider
        chosen.append(mask)
    return list(dict.fromkeys(chosen))[: max(most_sets // 2, candidates.n + 1)]


def _fitted(problem: Problem, goals: Sequence[Goal]) -> list[Surrogate]:
    sets = problem.evaluator.sets
    bits = problem.candidates.bits(sets)
    return [fit(bits, problem.evaluator.estimate(goal.measure.name, sets).value) for goal in goals]


def _ranked_so_far(problem: Problem) -> list[int]:
    return problem.ranked(problem.within_budget(problem.allowed(problem.evaluator.sets)))


def _best(problem: Problem) -> int:
    return _ranked_so_far(problem)[0]


def neighbours(problem: Problem, mask: int) -> list[int]:
    """Allowed sets within the budget that differ by one element added, removed or exchanged for another."""
    singles = [1 << i for i in range(problem.candidates.n)]
    inside, outside = [one for one in singles if mask & one], [one for one in singles if not mask & one]
    near = [mask | one for one in outside] + [mask & ~one for one in inside]
    near += [(mask & ~gone) | come for gone in inside for come in outside]
    return problem.within_budget(problem.allowed(near))


def _promising(problem: Problem, surrogates: Sequence[Surrogate], but: Sequence[int]) -> list[int]:
    """Neighbours of the best sets so far that are not known yet, those first that the surrogates prefer."""
    known = {*problem.evaluator.sets, *but}
    near = [
        mask for best in _ranked_so_far(problem)[:3] for mask in neighbours(problem, best) if mask not in known
    ]
    near = list(dict.fromkeys(near))
    bits = problem.candidates.bits(near)
    guessed = {goal.measure.name: fitted.predict(bits) for goal, fitted in zip(problem.goals, surrogates)}
    return [near[i] for i in ranking(problem.goals, guessed, problem.costs(near))[:_NEIGHBOURS]]


def _is_local_best(problem: Problem, mask: int) -> bool:
    return set(neighbours(problem, mask)) <= set(problem.evaluator.sets)


def diminishing_bound(problem: Problem, goal: Goal, mask: int) -> tuple[float, float]:
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
    candidates, evaluator = problem.candidates, problem.evaluator
    outside = [i for i in range(candidates.n) if not (mask >> i) & 1]
    wider = [mask | (1 << i) for i in outside]
    gains = np.zeros(candidates.n)
    if outside:
        values = goal.worth(evaluator.estimate(goal.measure.name, [mask, *wider]).value)
        gains[outside] = np.nan_to_num(np.maximum(values[1:] - values[0], 0.0), posinf=0.0)
    return largest_sum(candidates, problem.budget, gains), _share_diminishing(evaluator, goal)


def _share_diminishing(evaluator: SetEvaluator, goal: Goal) -> float:
    """Share of pairs of known sets, one within the other, in which an element added no more to the larger.

    Values have errors: what an element adds more, by less than a tenth of what is noticeable, is left out
    of account."""
    slight = 0.1 * (goal.measure.noticeable or 0.03)
    sets = evaluator.sets
    worth = dict(zip(sets, goal.worth(evaluator.estimate(goal.measure.name, sets).value)))
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
