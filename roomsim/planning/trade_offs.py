"""Cost against goals: the trade-off front, the best set for each amount, the least cost of a target, and what to leave
out first."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from ..results.interval import Interval
from .candidates import RELATION, Candidates
from .evaluation import Problem
from .results import Goal, LeftOut, Step, TargetCost

WORTH_TAKING = ("noticeable", "significant")
"""Verdicts on a step after which the next steps are compared with it."""


def front(problem: Problem, goal: Goal, sets: Sequence[int]) -> list[int]:
    """The sets that are better in a goal than all sets of the same or a lower cost, cheapest first."""
    worth = goal.measure.better * problem.evaluator.estimate(goal.measure.name, sets).value
    order = np.lexsort((-np.nan_to_num(worth, nan=-np.inf), np.round(problem.costs(sets), 6)))
    chosen: list[int] = []
    best = -np.inf
    for i in order:
        if np.isfinite(worth[i]) and worth[i] > best:
            best = worth[i]
            chosen.append(sets[i])
    return chosen


def best_for_money(problem: Problem, sets: Sequence[int], step: float) -> list[tuple[float, int]]:
    """The best set for each amount of money, up to the cost of the most expensive set.

    Amounts with the same set as the one before are left out. The first is the cost of the start.
    """
    most = float(problem.costs(sets).max())
    start = problem.candidates.start_cost
    amounts = [(start, 0)]
    money = np.floor(start / step) * step + step
    while True:
        best = problem.ranked(problem.affordable(sets, money))[0]
        if best != amounts[-1][1]:
            amounts.append((float(money), best))
        if money >= most:
            return amounts
        money += step


def cost_steps(problem: Problem, amounts: Sequence[tuple[float, int]]) -> tuple[Step, ...]:
    """Amounts of money and the best set for each, compared with the last step that is worth taking."""
    of_money: list[Step] = []
    taken = 0
    for place, (money, best) in enumerate(amounts):
        before = amounts[taken][1]
        # All from the paths of the search, so that changes and values agree; finalists have other paths.
        changes = problem.evaluator.changes(best, before)
        verdict = _verdict(problem, changes, before)
        of_money.append(Step(money, best, taken, changes, verdict))
        if verdict in WORTH_TAKING:
            taken = place
    return tuple(of_money)


def _verdict(problem: Problem, changes: Mapping[str, Interval], before: int) -> str:
    """The verdict for the first goal with a significant gain that was not reached before."""
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
    estimate = problem.evaluator.estimate(name, sets)
    order = np.argsort(problem.costs(sets), kind="stable")
    # A set that cannot be evaluated has no interval, and reaches no target.
    half = goal.measure.better * np.where(np.isfinite(estimate.half_width()), estimate.half_width(), np.nan)

    def cheapest(values: np.ndarray) -> int | None:
        return next((sets[i] for i in order if goal.is_reached(float(values[i]))), None)

    value = estimate.value
    likely, certain, near = cheapest(value), cheapest(value - half), cheapest(value + half)
    return TargetCost(name, goal.target, likely, certain, None if near == likely else near)


def leave_out_in_turn(
    problem: Problem, plan: int, changes: Callable[[int, int], dict[str, Interval]]
) -> tuple[LeftOut, ...]:
    """What to leave out first, second and so on if not all can be hung: each time what affects the goals least.

    Parameters
    ----------
    changes : two sets -> every measure of the first minus that of the second
    """
    in_turn: list[LeftOut] = []
    left = plan
    while left:
        after = problem.ranked(without_one(problem.candidates, left))[0]
        in_turn.append(LeftOut(left, after, changes(after, left)))
        left = after
    return tuple(in_turn)


def without_one(candidates: Candidates, mask: int) -> list[int]:
    """The sets that remain if one element is left out together with the elements that depend on it."""
    singles = [1 << i for i in range(candidates.n)]
    return list(dict.fromkeys(_with_relations(candidates, mask & ~one) for one in singles if mask & one))


def _with_relations(candidates: Candidates, mask: int) -> int:
    """The set without the elements that break a relation because another element is missing."""
    relations = [row for row in candidates.rows if row.key == RELATION]
    while True:
        bits = candidates.bits([mask])[0]
        broken = next((row for row in relations if bits @ row.weights > row.bound + row.slack), None)
        if broken is None:
            return mask
        # A relation that breaks when an element is removed requires that element: the element that requires it is
        # removed as well.
        dependent = next(i for i in range(candidates.n) if bits[i] and broken.weights[i] > 0.0)
        mask &= ~(1 << dependent)
