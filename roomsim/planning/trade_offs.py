"""What money buys: the trade-off front, the next amount, the least for a target, and what to leave out
first."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from ..results.interval import Interval
from .candidates import RELATION, Candidates
from .evaluation import Problem
from .results import Goal, LeftOut, Step, TargetCost

WORTH_TAKING = ("noticeable", "significant")
"""Verdicts on a step of money after which the next ones are compared with it."""

Changes = Callable[[int, int], dict[str, Interval]]
"""Two sets -> every measure of the first minus that of the second."""


def front(problem: Problem, goal: Goal, sets: Sequence[int]) -> list[int]:
    """The sets that are better in a goal than all that cost as much or less, cheapest first."""
    worth = goal.measure.better * problem.evaluator.estimate(goal.measure.name, sets).value
    order = np.lexsort((-np.nan_to_num(worth, nan=-np.inf), np.round(problem.costs(sets), 6)))
    kept: list[int] = []
    best = -np.inf
    for i in order:
        if np.isfinite(worth[i]) and worth[i] > best:
            best = worth[i]
            kept.append(sets[i])
    return kept


def best_for_money(problem: Problem, sets: Sequence[int], step: float) -> list[tuple[float, int]]:
    """The best set for one amount of money after the other, up to where more money buys nothing more.

    Amounts at which nothing new can be had are left out. The first is the start without anything.
    """
    most = float(problem.costs(sets).max())
    start = problem.candidates.start_cost
    found = [(start, 0)]
    money = np.floor(start / step) * step + step
    while True:
        best = problem.ranked(problem.affordable(sets, money))[0]
        if best != found[-1][1]:
            found.append((float(money), best))
        if money >= most:
            return found
        money += step


def steps(problem: Problem, amounts: Sequence[tuple[float, int]]) -> tuple[Step, ...]:
    """Amounts of money and the best set for each, with the verdict on each against the last worth taking."""
    found: list[Step] = []
    taken = 0
    for place, (money, best) in enumerate(amounts):
        before = amounts[taken][1]
        # All from the paths of the search: the finalists' own would show values that the changes do not connect.
        changes = problem.evaluator.changes(best, before)
        verdict = _verdict(problem, changes, before)
        found.append(Step(money, best, taken, changes, verdict))
        if verdict in WORTH_TAKING:
            taken = place
    return tuple(found)


def _verdict(problem: Problem, changes: Mapping[str, Interval], before: int) -> str:
    """Of the first goal with a significant gain that was not reached before."""
    for goal in problem.goals:
        change, noticeable = changes[goal.measure.name], goal.measure.noticeable
        is_gain = change.is_significant and goal.measure.better * change.value > 0.0
        if is_gain and not problem.is_reached(goal, before):
            if noticeable is None:
                return "significant"
            return "below one JND" if abs(change.value) < noticeable else "noticeable"
    return "not significant"


def least_cost(problem: Problem, goal: Goal, sets: Sequence[int]) -> TargetCost:
    """The cheapest sets that reach the target of a goal."""
    assert goal.target is not None
    name = goal.measure.name
    found = problem.evaluator.estimate(name, sets)
    order = np.argsort(problem.costs(sets), kind="stable")
    # What cannot be evaluated has no interval either, and neither of its ends reaches anything.
    half = goal.measure.better * np.where(np.isfinite(found.half_width()), found.half_width(), np.nan)

    def cheapest(values: np.ndarray) -> int | None:
        return next((sets[i] for i in order if goal.is_reached(float(values[i]))), None)

    likely, certain, near = cheapest(found.value), cheapest(found.value - half), cheapest(found.value + half)
    return TargetCost(name, goal.target, likely, certain, None if near == likely else near)


def leave_out_each(candidates: Candidates, plan: int, changes: Changes) -> tuple[LeftOut, ...]:
    """Each element of a plan left out by itself, with what depends on it."""
    return tuple(LeftOut(plan, after, changes(after, plan)) for after in _without_one(candidates, plan))


def leave_out_in_turn(problem: Problem, plan: int, changes: Changes) -> tuple[LeftOut, ...]:
    """What to leave out first, second, ... when the truck is short: each time what costs the goals
    least."""
    found: list[LeftOut] = []
    left = plan
    while left:
        after = problem.ranked(_without_one(problem.candidates, left))[0]
        found.append(LeftOut(left, after, changes(after, left)))
        left = after
    return tuple(found)


def _without_one(candidates: Candidates, mask: int) -> list[int]:
    """What is left of a set if one of its elements is left out, and what depends on it."""
    singles = [1 << i for i in range(candidates.n)]
    return list(dict.fromkeys(_relations_kept(candidates, mask & ~one) for one in singles if mask & one))


def _relations_kept(candidates: Candidates, mask: int) -> int:
    """The set without what breaks a relation because something else is missing."""
    relations = [row for row in candidates.rows if row.key == RELATION]
    while True:
        bits = candidates.bits([mask])[0]
        wrong = next((row for row in relations if bits @ row.weights > row.bound + row.slack), None)
        if wrong is None:
            return mask
        # A relation that broke by taking away asks for something that is gone: what asks for it goes too.
        asking = next(i for i in range(candidates.n) if bits[i] and wrong.weights[i] > 0.0)
        mask &= ~(1 << asking)
