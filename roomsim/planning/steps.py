"""What money buys: the trade-off front, the next amount, the least for a target, and what to leave out
first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .candidates import Candidates
from .goals import Goal, ranking
from .search import within_budget
from .valuation import Valuation


def front(candidates: Candidates, valuation: Valuation, goal: Goal, sets: Sequence[int]) -> list[int]:
    """The sets that no cheaper one equals in a goal, cheapest first."""
    values = valuation.estimate(goal.figure.name, sets).value
    worth = goal.figure.better * values
    cost = candidates.cost(candidates.bits(sets))
    order = np.lexsort((-np.nan_to_num(worth, nan=-np.inf), np.round(cost, 6)))
    kept: list[int] = []
    best = -np.inf
    for i in order:
        if np.isfinite(worth[i]) and worth[i] > best:
            best = worth[i]
            kept.append(sets[i])
    return kept


def best_of(candidates: Candidates, valuation: Valuation, goals: Sequence[Goal], sets: Sequence[int]) -> int:
    """The highest of the sets, goal by goal; of equal ones the cheapest."""
    values = valuation.values([goal.figure.name for goal in goals], sets)
    return sets[int(ranking(goals, values, candidates.cost(candidates.bits(sets)))[0])]


@dataclass(frozen=True)
class Step:
    """Amount of money and the best set for it."""

    money: float
    best: int


def steps(
    candidates: Candidates, valuation: Valuation, goals: Sequence[Goal], sets: Sequence[int], step: float
) -> list[Step]:
    """The best set for one amount of money after the other, up to where more money buys nothing more.

    Amounts at which nothing new can be had are left out. The first is the start without anything.
    """
    cost = candidates.cost(candidates.bits(sets))
    most = float(cost.max())
    found = [Step(candidates.start_cost, 0)]
    money = np.floor(candidates.start_cost / step) * step + step
    while True:
        best = best_of(candidates, valuation, goals, within_budget(candidates, sets, money))
        if best != found[-1].best:
            found.append(Step(float(money), best))
        if money >= most:
            return found
        money += step


@dataclass(frozen=True)
class Reach:
    """The cheapest set that reaches a target."""

    goal: Goal
    likely: int | None
    """By its value; None if none does."""
    sure: int | None
    """By the worse end of its 95 % interval, chance of the rays alone."""
    near: int | None
    """The cheapest set that misses it by less than half its 95 % interval; None unless it is cheaper than `likely`."""


def least_cost(candidates: Candidates, valuation: Valuation, goal: Goal, sets: Sequence[int]) -> Reach:
    """The cheapest set that reaches the target of a goal."""
    assert goal.target is not None
    found = valuation.estimate(goal.figure.name, sets)
    order = np.argsort(candidates.cost(candidates.bits(sets)), kind="stable")
    # What cannot be evaluated has no interval either, and neither of its ends reaches anything.
    half = goal.figure.better * np.where(np.isfinite(found.half_width()), found.half_width(), np.nan)

    def cheapest(values: np.ndarray) -> int | None:
        return next((sets[i] for i in order if goal.is_reached(float(values[i]))), None)

    likely, sure, near = cheapest(found.value), cheapest(found.value - half), cheapest(found.value + half)
    return Reach(goal, likely, sure, None if near == likely else near)


@dataclass(frozen=True)
class LeftOut:
    """A plan with something left out."""

    before: int
    after: int


def leave_out_each(candidates: Candidates, plan: int) -> list[LeftOut]:
    """Each element of a plan left out by itself, with what cannot be without it."""
    found: list[LeftOut] = []
    for i in range(candidates.n):
        if (plan >> i) & 1:
            left = _relations_kept(candidates, plan & ~(1 << i))
            if left not in [known.after for known in found]:
                found.append(LeftOut(plan, left))
    return found


def _relations_kept(candidates: Candidates, mask: int) -> int:
    """The set without what breaks a relation because something else is missing."""
    relations = [row for row in candidates.rows if row.kind == "relation"]
    while True:
        bits = candidates.bits([mask])[0]
        wrong = next((row for row in relations if bits @ row.weights > row.bound + 1e-9), None)
        if wrong is None:
            return mask
        # A relation that broke by taking away asks for something that is gone: what asks for it goes too.
        asking = next(i for i in range(candidates.n) if bits[i] and wrong.weights[i] > 0.0)
        mask &= ~(1 << asking)


def leave_out_in_turn(
    candidates: Candidates, valuation: Valuation, goals: Sequence[Goal], plan: int
) -> list[LeftOut]:
    """What to leave out first, second, ... when the truck is short: each time what costs the goals
    least."""
    found: list[LeftOut] = []
    left = plan
    while left:
        after = [out.after for out in leave_out_each(candidates, left)]
        values = valuation.values([goal.figure.name for goal in goals], after)
        order = ranking(goals, values, candidates.cost(candidates.bits(after)))
        found.append(LeftOut(left, after[int(order[0])]))
        left = found[-1].after
    return found
