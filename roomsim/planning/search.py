"""The search among the sets: all of them where that is possible, otherwise by proposals and exchanges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from .candidates import BUDGET, MOST_LISTED
from .evaluation import Problem, SetEvaluator
from .results import Goal, SearchOutcome
from .surrogate import Surrogate, fit, largest_sum, propose

_PROPOSALS, _NEIGHBOURS = 4, 8
"""In each round: sets that the surrogate proposes for the whole budget, and neighbours that are evaluated."""
_QUIET_ROUNDS = 3
"""Rounds without improvement after which the search may end."""
_SHARES_OF_BUDGET = (1.0, 0.75, 0.5, 0.3)
"""Budgets for which proposals are made, so that the whole trade-off front is searched and not only its end."""


def search(problem: Problem, most_sets: int) -> SearchOutcome:
    """Evaluate all sets, or at most `most_sets` of them in search of the best."""
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
    """Evaluate proposals of the surrogate and neighbours of the best sets so far, in rounds, for several budgets."""
    candidates, evaluator = problem.candidates, problem.evaluator
    evaluator.ensure(_first_sets(problem, most_sets))
    everything = float(problem.costs([candidates.everything])[0])
    most_money = everything if problem.budget is None else min(problem.budget, everything)
    best, quiet = -1, 0
    while len(evaluator.sets) < most_sets:
        surrogates = _fitted(problem, problem.goals)
        new: list[int] = []
        for share in _SHARES_OF_BUDGET:
            n, money = _PROPOSALS if share == 1.0 else 1, most_money * share
            new += propose(candidates, problem.goals, surrogates, money, [*evaluator.sets, *new], n)
            new += _promising(replace(problem, budget=money), surrogates, new)
        new = new[: most_sets - len(evaluator.sets)]
        evaluator.ensure(new)
        before, best = best, _ranked_so_far(problem)[0]
        quiet = quiet + 1 if best == before else 0
        if not new or (quiet >= _QUIET_ROUNDS and _is_local_best(problem, best)):
            break
    best = _ranked_so_far(problem)[0]
    goal = next((goal for goal in problem.goals if not problem.is_reached(goal, best)), problem.goals[-1])
    bound, diminishing = diminishing_bound(problem, goal, best)
    return SearchOutcome(
        sets=tuple(problem.allowed(evaluator.sets)),
        is_exhaustive=False,
        n_possible=n_possible,
        n_evaluated=len(evaluator.sets),
        goal=goal,
        surrogate_error=_fitted(problem, [goal])[0].error,
        is_local_best=_is_local_best(problem, best),
        bound=bound,
        diminishing=diminishing,
    )


def _first_sets(problem: Problem, most_sets: int) -> list[int]:
    """The empty set, single elements, pairs (some of them where there are many), and sets to which elements are added
    in random order as long as the limits allow."""
    candidates = problem.candidates
    rng = np.random.default_rng(candidates.n)
    single = [1 << i for i in range(candidates.n)]
    pairs = [one | other for one, other in combinations(single, 2)]
    n_pairs = most_sets // 4
    if len(pairs) > n_pairs:
        pairs = [pairs[i] for i in sorted(rng.choice(len(pairs), n_pairs, replace=False))]
    # Sets that exceed a limit would be of use for the fit only.
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


def neighbours(problem: Problem, mask: int) -> list[int]:
    """Allowed sets within the budget that differ by one element added, removed or exchanged for another."""
    singles = [1 << i for i in range(problem.candidates.n)]
    inside, outside = [one for one in singles if mask & one], [one for one in singles if not mask & one]
    near = [mask | one for one in outside] + [mask & ~one for one in inside]
    near += [(mask & ~removed) | added for removed in inside for added in outside]
    return problem.within_budget(problem.allowed(near))


def _promising(problem: Problem, surrogates: Sequence[Surrogate], but: Sequence[int]) -> list[int]:
    """Neighbours of the best sets so far that have not been evaluated, in the order that the surrogates predict."""
    excluded = {*problem.evaluator.sets, *but}
    near = dict.fromkeys(mask for best in _ranked_so_far(problem)[:3] for mask in neighbours(problem, best))
    new = [mask for mask in near if mask not in excluded]
    bits = problem.candidates.bits(new)
    predicted = {goal.measure.name: fitted.predict(bits) for goal, fitted in zip(problem.goals, surrogates)}
    return problem.ranked(new, predicted)[:_NEIGHBOURS]


def _is_local_best(problem: Problem, mask: int) -> bool:
    return set(neighbours(problem, mask)) <= set(problem.evaluator.sets)


def diminishing_bound(problem: Problem, goal: Goal, mask: int) -> tuple[float, float]:
    """Upper bound of the amount by which any allowed set exceeds this one if returns diminish, and how often they do.

    If no element adds more to a larger set than to a smaller one, and none has a negative effect, no set exceeds this
    one by more than the sum of the gains of its further elements, each added to this one by itself: Nemhauser, Wolsey
    and Fisher, Mathematical Programming 14 (1978), 265, Proposition 2.2 (from memory). The largest such sum within the
    limits is the solution of an integer linear program.

    Returns
    -------
    Bound in the goal's measure, and the share of the observed cases in which returns diminished; NaN without any.
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
    """Share of pairs of evaluated sets, one within the other, in which an element added no more to the larger one.

    Values have errors: a difference of less than a tenth of a noticeable one is ignored."""
    slight = 0.1 * (goal.measure.noticeable or 0.03)
    sets = evaluator.sets
    worth = dict(zip(sets, goal.worth(evaluator.estimate(goal.measure.name, sets).value)))
    n_diminishing = n_cases = 0
    for small in sets:
        for one, other in combinations([1 << i for i in range(max(sets).bit_length())], 2):
            if small & (one | other):
                continue
            corners = (small | one, small | other, small | one | other)
            if all(corner in worth for corner in corners) and np.isfinite(worth[small]):
                n_cases += 1
                extra = worth[corners[2]] - worth[corners[1]] - (worth[corners[0]] - worth[small])
                n_diminishing += bool(extra <= slight)
    return n_diminishing / n_cases if n_cases else np.nan
