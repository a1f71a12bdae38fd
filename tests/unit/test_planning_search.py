"""Searching: the known best is found, and what is said about how near it is holds."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from agreement import Disagreement, assert_agrees
from plans import N_REPLICATES, candidates_with, choice, exact, goal, problem
from scipy import stats

from roomsim.metrics.replicated import SeatStatistic
from roomsim.planning.contributions import contributions, sets_needed
from roomsim.planning.evaluation import SetEvaluator
from roomsim.planning.search import diminishing_bound, search
from roomsim.planning.surrogate import Surrogate, fit, propose
from roomsim.planning.trade_offs import (
    best_for_money,
    cost_steps,
    front,
    least_cost,
    leave_out_in_turn,
    without_one,
)

ROUNDING = 1e-9
"""Of sums of some hundred numbers about one in double precision, with room."""


def covering(n: int, seed: int, n_spots: int = 40):
    """Share of spots that the lines of a set cover, spots weighed unequally: each line adds less the more there
    are, as cloth does."""
    rng = np.random.default_rng(seed)
    covers = rng.random((n, n_spots)) < 0.25
    weight = rng.random(n_spots)
    weight /= weight.sum()

    def value(mask: int) -> float:
        chosen = [i for i in range(n) if (mask >> i) & 1]
        return float(weight[covers[chosen].any(axis=0)].sum()) if chosen else 0.0

    return value, rng.integers(1, 9, n).astype(float)


def best_by_trying_all(candidates, value, budget) -> float:
    allowed = candidates.all_sets()[candidates.allowed(candidates.all_bits())]
    return max(value(int(mask)) for mask in allowed)


# --- search ---------------------------------------------------------------------------------------------


def test_all_sets_are_evaluated_where_they_are_few():
    value, cost = covering(6, 1)
    candidates = candidates_with(cost, 12.0)
    whole = problem(candidates, exact(value), budget=12.0)
    found = search(whole, 64)
    assert found.is_exhaustive and found.bound == 0.0 and found.n_possible == 64
    best = whole.ranked(whole.within_budget(found.sets))[0]
    assert value(best) == best_by_trying_all(candidates, value, 12.0)


@pytest.mark.parametrize("seed", range(3))
def test_search_of_a_part_comes_as_near_as_it_says(seed):
    value, cost = covering(11, seed)
    budget = 0.4 * cost.sum()
    candidates = candidates_with(cost, budget)
    whole = problem(candidates, exact(value), budget=budget)
    found = search(whole, 120)
    assert not found.is_exhaustive
    # The bound asks for a set more for each element left out.
    assert len(whole.evaluator.sets) <= 120 + candidates.n
    best = max(value(mask) for mask in whole.within_budget(found.sets))
    truth = best_by_trying_all(candidates, value, budget)
    assert truth <= best + found.bound + ROUNDING
    assert found.diminishing == 1.0  # covering is submodular: no line ever adds more to a larger set
    # Of some 570 allowed sets a fifth was looked at; the best is found all the same.
    assert best == pytest.approx(truth, abs=ROUNDING)


def test_once_a_goal_is_reached_the_bound_refers_to_the_next():
    value, cost = covering(8, 2)
    evaluator = exact(lambda mask: min(1.0, 2.0 * value(mask)), value, names=("gain", "more"))
    goals = [goal(target=0.5), goal(name="more")]
    found = search(problem(candidates_with(cost, None), evaluator, *goals, budget=0.5 * cost.sum()), 60)
    assert found.goal.measure.name == "more"
    assert found.bound > 0.0


def test_control_as_many_sets_at_random_miss_the_best():
    missed = 0
    for seed in range(4):
        value, cost = covering(11, seed)
        candidates = candidates_with(cost, 0.4 * cost.sum())
        allowed = candidates.all_sets()[candidates.allowed(candidates.all_bits())]
        tried = np.random.default_rng(seed).choice(allowed, 120, replace=False)
        missed += max(value(int(m)) for m in tried) < best_by_trying_all(candidates, value, None) - ROUNDING
    assert missed >= 2


def test_bound_says_so_where_elements_help_each_other():
    # Nothing alone, everything together: the bound from single additions knows nothing of it.
    candidates = candidates_with([1.0] * 4, None)
    evaluator = exact(lambda mask: float(mask == 0b1111))
    evaluator.ensure(range(16))
    bound, diminishing = diminishing_bound(problem(candidates, evaluator), goal(), 0)
    assert bound == pytest.approx(0.0, abs=1e-6)  # the solver's own tolerance
    assert diminishing < 1.0


def test_search_goes_beyond_what_can_be_listed():
    n = 21
    value, cost = covering(n, 5)
    budget = 0.25 * cost.sum()
    candidates = candidates_with(cost, budget)
    whole = problem(candidates, exact(value), budget=budget)
    found = search(whole, 90)
    assert found.n_possible is None
    affordable = whole.within_budget(found.sets)
    assert candidates.allowed(candidates.bits(affordable)).all()
    best = max(value(mask) for mask in affordable)
    # Better than adding the line with the most gain for its money as long as money lasts (greedy).
    chosen, left = 0, budget
    while True:
        gains = {
            i: (value(chosen | 1 << i) - value(chosen)) / cost[i]
            for i in range(n)
            if not (chosen >> i) & 1 and cost[i] <= left
        }
        if not gains:
            break
        i = max(gains, key=gains.__getitem__)
        chosen, left = chosen | 1 << i, left - cost[i]
    assert best >= value(chosen) - ROUNDING


# --- surrogate ------------------------------------------------------------------------------------------


def quadratic(n: int, seed: int) -> Surrogate:
    rng = np.random.default_rng(seed)
    return Surrogate(0.3, rng.normal(size=n), np.triu(rng.normal(size=(n, n)), 1), 0.0)


def test_fit_finds_a_sum_of_elements_and_pairs_again():
    truth, candidates = quadratic(5, 2), candidates_with([1.0] * 5, None)
    bits = candidates.all_bits()
    found = fit(bits, truth.predict(bits))
    # The least penalty tried is 1e-6 of the mean square: it shrinks weights about one by some 1e-5.
    assert found.predict(bits) == pytest.approx(truth.predict(bits), abs=1e-4)
    assert found.error < 1e-3


def test_error_of_the_fit_is_that_at_sets_left_out():
    # By leaving out each set in truth; the formula needs one fit only. Same penalty: the least, which wins here.
    rng = np.random.default_rng(3)
    candidates = candidates_with([1.0] * 4, None)
    bits = candidates.all_bits()
    values = quadratic(4, 4).predict(bits) + 0.2 * rng.normal(size=16)
    noise_free = fit(bits, quadratic(4, 4).predict(bits)).error
    noisy = fit(bits, values).error
    missed = [
        fit(np.delete(bits, i, 0), np.delete(values, i)).predict(bits[i : i + 1])[0] - values[i]
        for i in range(16)
    ]
    # Each refit chooses its own penalty, so that the two agree in size only.
    assert 0.5 < noisy / np.sqrt(np.mean(np.square(missed))) < 2.0
    assert noise_free < 0.1 * noisy


@pytest.mark.parametrize("seed", range(5))
def test_proposals_are_the_best_by_the_surrogate_one_after_the_other(seed):
    truth = quadratic(7, seed)
    candidates = candidates_with(np.arange(1.0, 8.0), 14.0)
    allowed = candidates.all_sets()[candidates.allowed(candidates.all_bits())]
    guessed = truth.predict(candidates.bits(allowed))
    order = np.argsort(-guessed)
    sets = propose(candidates, [goal()], [truth], 14.0, [], 3)
    assert truth.predict(candidates.bits(sets)) == pytest.approx(
        guessed[order[:3]], abs=1e-6
    )  # solver's tolerance
    assert propose(candidates, [goal()], [truth], 14.0, sets[:1], 1) == sets[1:2]


# --- preference -----------------------------------------------------------------------------------------


def test_goals_count_in_their_order_and_tolerances_hand_on():
    goals = [goal(0.03, name="first"), goal(0.0, name="second")]
    values = {"first": np.array([0.50, 0.52, 0.48, 0.40]), "second": np.array([1.0, 2.0, 9.0, 99.0])}
    burden = [(1.0,), (2.0,), (3.0,), (0.0,)]
    # 0.50 and 0.52 are the same to the first goal, 0.48 and 0.40 are not: the second chooses among two.
    assert choice(goals, burden).proposed([10, 11, 12, 13], values) == 11

    def wide(figure, one, others):
        return np.full(len(others), 0.05 if figure == "first" else 0.0)

    # With an error of 0.05 the third is no longer distinguished from the first, and is best by the second goal.
    assert choice(goals, burden, wide).proposed([10, 11, 12, 13], values) == 12


def test_of_equal_sets_the_cheapest_is_proposed_and_enough_is_enough():
    goals = [goal(0.0, target=0.9)]
    values = {"gain": np.array([0.89, 0.92, 0.99, np.nan])}
    burden = [(1.0,), (5.0,), (3.0,), (0.0,)]
    assert choice(goals, burden).proposed([1, 2, 4, 8], values) == 4
    assert choice(goals, burden).ranked([1, 2, 4, 8], values) == [4, 2, 1, 8]


def test_less_is_better_where_it_is():
    goals = [goal(0.0, name="spread", better=-1)]
    assert choice(goals, [(0.0,)] * 3).ranked([1, 2, 4], {"spread": np.array([3.0, 1.0, 2.0])}) == [2, 4, 1]


# --- what money buys ------------------------------------------------------------------------------------

GAINS = {
    0b000: 0.0,
    0b001: 0.10,
    0b010: 0.08,
    0b100: 0.02,
    0b011: 0.15,
    0b101: 0.11,
    0b110: 0.095,
    0b111: 0.16,
}
COST = [5.0, 3.0, 1.0]


@pytest.fixture
def known():
    evaluator = exact(GAINS.__getitem__)
    evaluator.ensure(range(8))
    return problem(candidates_with(COST, 8.0), evaluator, budget=8.0)


def test_front_has_what_nothing_cheaper_equals(known):
    assert front(known, goal(), range(8)) == [
        0b000,
        0b100,
        0b010,
        0b110,
        0b001,
        0b101,
        0b011,
        0b111,
    ]
    without = [mask for mask in range(8) if mask != 0b110]
    dearer = problem(known.candidates, exact({**GAINS, 0b101: 0.1}.__getitem__))
    assert front(dearer, goal(), without) == [0b000, 0b100, 0b010, 0b001, 0b011, 0b111]


def test_of_sets_that_are_equal_the_front_has_the_cheapest_and_of_one_cost_the_best():
    # "c" gives as much as "b" and costs as much; "d" gives as much as "a" and costs more; "e" costs as "a", for more.
    gains = {0b00000: 0.0, 0b00001: 0.3, 0b00010: 0.2, 0b00100: 0.2, 0b01000: 0.3, 0b10000: 0.4}
    whole = problem(candidates_with([3.0, 2.0, 2.0, 4.0, 3.0], None), exact(gains.__getitem__))
    assert front(whole, goal(), [*gains]) == [0b00000, 0b00010, 0b10000]
    without = [mask for mask in gains if mask != 0b10000]
    assert front(whole, goal(), without) == [0b00000, 0b00010, 0b00001]
    # The same where less is better.
    less = exact(lambda mask: -gains[mask])
    assert front(problem(whole.candidates, less), goal(better=-1), [*gains]) == [0b00000, 0b00010, 0b10000]


def test_best_sets_for_each_amount_of_money(known):
    assert best_for_money(known, list(range(8)), 2.0) == [
        (0.0, 0b000), (2.0, 0b100), (4.0, 0b110), (6.0, 0b101), (8.0, 0b011), (10.0, 0b111),
    ]  # fmt: skip


def test_least_cost_that_reaches_a_target(known):
    assert least_cost(known, goal(target=0.09), range(8)).likely == 0b110
    assert least_cost(known, goal(target=0.2), range(8)).likely is None

    def noisy(sets):
        value = np.array([GAINS[int(mask)] for mask in sets])
        signs = np.where(np.arange(32) % 2, 1.0, -1.0)[:, None]
        # A standard error of 0.01: half the 95 % interval is 0.021 with 19 degrees of freedom.
        return {"gain": SeatStatistic(value, value + 0.01 * signs, value + 0.01 * signs, N_REPLICATES)}

    evaluator = SetEvaluator(noisy)
    assert evaluator.estimate("gain", [1]).half_width() == pytest.approx(0.01 * stats.t.ppf(0.975, 19))
    found = least_cost(problem(known.candidates, evaluator), goal(target=0.09), range(8))
    assert (found.likely, found.certain) == (0b110, 0b011)
    # 0.08 costs less and misses 0.09 by 0.01, less than its error of 0.021.
    assert found.near == 0b010
    assert least_cost(known, goal(target=0.09), range(8)).near is None


@pytest.mark.parametrize("step", [1.0, 3.0])
def test_the_verdict_on_a_sum_of_money_does_not_depend_on_the_step(step):
    # Six lines that add 0.012 each, of which 0.03 is noticeable: no single one is heard, every third is.
    evaluator = exact(lambda mask: 0.012 * mask.bit_count())
    whole = problem(candidates_with([1.0] * 6, None), evaluator, goal(noticeable=0.03))
    found = cost_steps(whole, best_for_money(whole, list(range(64)), step))
    at = {one.money: one for one in found}
    assert [at[amount].verdict for amount in (3.0, 6.0)] == ["noticeable", "noticeable"]
    assert at[3.0].changes["gain"].value == pytest.approx(0.036)
    assert at[6.0].changes["gain"].value == pytest.approx(0.036)
    assert found[at[6.0].against].money == 3.0
    if step == 1.0:
        assert [at[amount].verdict for amount in (1.0, 2.0, 4.0, 5.0)] == ["below one JND"] * 4


def test_more_than_enough_is_not_worth_taking():
    # The first line reaches the target; what the others add to that goal serves nobody.
    evaluator = exact(lambda mask: 0.1 * mask.bit_count())
    whole = problem(candidates_with([1.0] * 3, None), evaluator, goal(target=0.05))
    found = cost_steps(whole, [(float(n), (1 << n) - 1) for n in range(4)])
    assert [one.verdict for one in found[1:]] == ["significant", "not significant", "not significant"]
    assert [one.against for one in found[1:]] == [0, 1, 1]


def test_what_to_leave_out_first(known):
    assert sorted(without_one(known.candidates, 0b111)) == [0b011, 0b101, 0b110]
    in_turn = leave_out_in_turn(known, 0b111, known.evaluator.changes)
    assert [(out.before, out.after) for out in in_turn] == [(0b111, 0b011), (0b011, 0b001), (0b001, 0b000)]


def test_what_needs_something_goes_with_it():
    candidates = candidates_with(COST, None, plan={"requires": {"b": ["a"]}, "together": [["b", "c"]]})
    # Without a no b, and without b no c.
    assert set(without_one(candidates, 0b111)) == {0b000, 0b001}


# --- contributions --------------------------------------------------------------------------------------


def contributions_of(evaluator: SetEvaluator, n: int, n_orders: int | None = None):
    """Of n elements: first, average, last, and the error of the average."""
    candidates = candidates_with([1.0] * n, None)
    players = [1 << i for i in range(n)]
    table = contributions(candidates, evaluator, "gain", players, n_orders=n_orders)
    assert [row.element for row in table.rows] == list(candidates.names)
    first, average, last = (
        np.array([getattr(row, kind).value for row in table.rows]) for kind in ("first", "average", "last")
    )
    return first, average, last, table


def test_airport_game():
    """Littlechild and Owen, Management Science 20 (1973), 370 (from memory): who needs a runway of length c shares each
    further piece of it with all who need it too."""
    needs = [1.0, 2.0, 2.0, 5.0, 9.0]
    pieces = np.diff([0.0, *needs])
    shares = np.cumsum([piece / (len(needs) - i) for i, piece in enumerate(pieces)])
    evaluator = exact(lambda mask: max((c for i, c in enumerate(needs) if (mask >> i) & 1), default=0.0))
    first, average, last, table = contributions_of(evaluator, 5)
    assert average == pytest.approx(shares, abs=ROUNDING)
    assert average.sum() == pytest.approx(table.together.value, abs=ROUNDING)
    assert table.together.value == pytest.approx(9.0, abs=ROUNDING)
    assert first == pytest.approx(needs)
    assert last == pytest.approx([0.0, 0.0, 0.0, 0.0, 4.0])


def test_glove_game():
    """One left glove and two right ones (from memory, a stock example): 2/3, 1/6, 1/6."""
    _, average, _, _ = contributions_of(exact(lambda mask: float(bool(mask & 1) and bool(mask & 6))), 3)
    assert average == pytest.approx([2 / 3, 1 / 6, 1 / 6], abs=ROUNDING)


def test_contribution_is_the_mean_over_all_orders():
    value, _ = covering(4, 9)
    gains = np.zeros(4)
    for order in permutations(range(4)):
        mask = 0
        for i in order:
            gains[i] += value(mask | 1 << i) - value(mask)
            mask |= 1 << i
    assert contributions_of(exact(value), 4)[1] == pytest.approx(gains / 24, abs=ROUNDING)


def test_some_orders_come_near_with_the_error_they_state():
    value, _ = covering(8, 11)
    truth = contributions_of(exact(value), 8)[1]
    _, average, _, table = contributions_of(exact(value), 8, n_orders=200)
    assert average.sum() == pytest.approx(value(255), abs=ROUNDING)
    # Values are exact: the error is that of the orders alone, stated as an interval of 20 replicates.
    half = np.array([row.average.half_width for row in table.rows])
    error = half / stats.t.ppf(0.975, N_REPLICATES - 1)
    # 8 comparisons, 100 pairs of orders: 99 degrees of freedom.
    assert_agrees(average, error, truth, n_checks=8, degrees_of_freedom=99)
    with pytest.raises(Disagreement):
        assert_agrees(truth + 0.02, error, truth, n_checks=8, degrees_of_freedom=99)
    players = [1 << i for i in range(8)]
    assert set(sets_needed(players, n_orders=200)) >= {0, 255, *players}


def test_error_of_a_contribution_is_that_of_the_weighted_sum():
    # Every set but the empty one has the same error: the contribution of one of two elements is
    # (v1 - v0 + v12 - v2) / 2, in which the errors of 1 and 12 add up and that of 2 takes one off: half the common one.
    signs = np.where(np.arange(32) % 2, 1.0, -1.0)[:, None]

    def noisy(sets):
        base = np.array([float(mask.bit_count()) for mask in sets])
        moved = base + 0.1 * signs * np.array([mask > 0 for mask in sets])
        return {"gain": SeatStatistic(base, moved, moved, N_REPLICATES)}

    table = contributions_of(SetEvaluator(noisy), 2)[-1]
    factor = stats.t.ppf(0.975, N_REPLICATES - 1)
    assert [row.average.half_width for row in table.rows] == pytest.approx([0.05 * factor] * 2, abs=ROUNDING)
    assert [row.last.half_width for row in table.rows] == pytest.approx([0.0, 0.0], abs=ROUNDING)
