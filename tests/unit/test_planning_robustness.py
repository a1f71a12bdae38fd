"""Whether a plan remains with other absorption, how far it is confirmed, and the model that proposes sets: by hand."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from plans import N_REPLICATES, candidates_with, drape, exact, goal, problem, study_of
from scipy import stats

from roomsim.planning.candidates import candidates_of
from roomsim.planning.contributions import contribution_tables
from roomsim.planning.results import Option
from roomsim.planning.robustness import CASES, Shifts, robustness
from roomsim.planning.search import diminishing_bound, neighbours, search
from roomsim.planning.surrogate import Surrogate, fit, largest_sum, propose
from roomsim.results.interval import Interval

# --- other absorption -----------------------------------------------------------------------------------


def test_cases_change_cloth_or_the_venue_and_leave_openings_open():
    found = {(name.split(" absorbs ")[0], name.split(" absorbs ")[1]): case for name, case in CASES.items()}
    table = np.array([0.0, 0.5, 0.9, 1.0])
    for (what, change), case in found.items():
        factor = {"20 % less": 0.8, "10 % less": 0.9, "10 % more": 1.1, "20 % more": 1.2}[change]
        changed = np.array([0.0, 0.5 * factor, min(0.9 * factor, 1.0), 1.0])
        as_stated, of_case = ("material", "fabric") if what == "cloth" else ("fabric", "material")
        np.testing.assert_allclose(case(of_case, "any", table, 0.1), changed, rtol=1e-12)
        np.testing.assert_allclose(case(as_stated, "any", table, 0.1), table, rtol=1e-12)
    assert len(found) == 8


def test_uncertainty_from_absorption_is_the_root_mean_square_of_the_draws():
    shifts = Shifts((0, 5), {}, ({"gain": np.array([0.3, 0.7])}, {"gain": np.array([-0.4, -0.1])}))
    # Of the set 0.7 and -0.1: sqrt(0.25); of its gain over the start 0.4 and 0.3: sqrt(0.125).
    assert shifts.input_error("gain", 5) == pytest.approx((0.5, np.sqrt(0.125)))
    assert shifts.input_error("gain", 0) == pytest.approx((np.sqrt(0.125), 0.0))
    assert shifts.input_error("gain", 3) is None
    assert Shifts((0, 5), {}, ()).input_error("gain", 5) is None


GAINS = {0b00: 0.0, 0b01: 0.50, 0b10: 0.40}
PLAN, OTHER = 0b01, 0b10


def chosen_again(tolerance: float, draws: list[list[float]], cases: dict[str, list[float]], **keys):
    """Two lines of one price; shifts of the start, the plan and the other line."""
    candidates = candidates_with([2.0, 2.0], None)
    whole = problem(candidates, exact(GAINS.get), goal(tolerance, **keys))
    shifts = Shifts(
        (0, PLAN, OTHER),
        {name: {"gain": np.array(shift)} for name, shift in cases.items()},
        tuple({"gain": np.array(draw, dtype=float)} for draw in draws),
    )
    return robustness(whole, shifts, PLAN, [0, PLAN, OTHER])


def test_choice_in_each_case_and_share_of_draws_in_which_the_plan_remains():
    draws = [
        [0.0, 0.0, 0.0],  # as stated: the plan leads
        [0.0, -0.2, 0.0],  # 0.3 against 0.4: the other by 0.1
        [0.0, -0.2, 0.2],  # 0.3 against 0.6: the other by 0.3
        [0.0, 0.1, 0.0],
    ]
    cases = {"less": [0.0, -0.2, -0.05], "more": [0.1, 0.05, 0.1]}
    found = chosen_again(0.0, draws, cases)
    assert (found.measure, found.n_sets, found.n_draws) == ("gain", 3, 4)
    less, more = found.cases
    assert (less.case, less.choice, less.value, less.behind) == (
        "less",
        OTHER,
        *map(pytest.approx, (0.3, 0.05)),
    )
    assert (more.case, more.choice, more.value, more.behind) == (
        "more",
        PLAN,
        *map(pytest.approx, (0.55, 0.0)),
    )
    assert found.stays_proposed == 0.5 and found.stays_as_good == 0.5
    # 95 % of 0, 0, 0.1, 0.3, linear between the last two: 0.1 + 0.85 x 0.2.
    assert found.behind == pytest.approx(0.27)


def test_what_differs_by_less_than_the_tolerance_is_as_good():
    draws = [[0.0, -0.2, 0.0], [0.0, -0.2, 0.2], [0.0, 0.0, 0.0]]
    found = chosen_again(0.15, draws, {})
    # Behind by 0.1, by 0.3, and ahead: of equals of one price the first one is proposed.
    assert found.stays_as_good == pytest.approx(2.0 / 3.0) and found.stays_proposed == pytest.approx(
        2.0 / 3.0
    )
    assert chosen_again(0.15, [], {"less": [0.0, -0.2, 0.0]}).cases[0].choice == PLAN
    nothing = chosen_again(0.0, [], {})
    assert nothing.n_draws == 0
    assert np.isnan([nothing.stays_proposed, nothing.stays_as_good, nothing.behind]).all()


def test_the_measure_that_decides_is_the_first_in_which_sets_differ():
    candidates = candidates_with([2.0, 2.0], None)
    flat, steep = {0: 0.50, 1: 0.51, 2: 0.50}, {0: 0.0, 1: 0.2, 2: np.nan}
    whole = problem(
        candidates,
        exact(flat.get, steep.get, names=("flat", "steep")),
        goal(0.02, name="flat"),
        goal(name="steep"),
    )
    shifts = Shifts((0, 1, 2), {}, ())
    assert robustness(whole, shifts, 1, [0, 1, 2]).measure == "steep"
    # If none differs it is the first.
    assert robustness(whole, shifts, 0, [0, 2]).measure == "flat"


# --- confirmation ---------------------------------------------------------------------------------------


def option(value: float, half_width: float, searched: float, searched_half_width: float) -> Option:
    values, of_search = Interval(value, half_width), Interval(searched, searched_half_width)
    return Option(1, ("a",), 0.0, 0.0, 0, 0.0, (), {"gain": values}, {"gain": values}, {"gain": of_search})


def test_difference_of_finalists_and_search_in_standard_errors():
    """Half widths 3 and 4 make 5 together; with 20 replicates a half width is t(19, 97.5 %) standard errors."""
    student = stats.t.ppf(0.975, N_REPLICATES - 1)
    assert option(12.5, 3.0, 10.0, 4.0).retraced_apart("gain", N_REPLICATES) == pytest.approx(0.5 * student)
    assert option(7.5, 4.0, 10.0, 3.0).retraced_apart("gain", N_REPLICATES) == pytest.approx(-0.5 * student)
    assert option(1.0, 0.0, 1.0, 0.0).retraced_apart("gain", N_REPLICATES) == 0.0
    assert option(1.0, 0.0, 2.0, 0.0).retraced_apart("gain", N_REPLICATES) == np.inf


# --- surrogate ------------------------------------------------------------------------------------------


def ridge_by_equations(x, y, penalty, with_pairs):
    """Prediction for rows by the normal equations, the constant without a penalty and pairs with four times that of
    elements."""

    def table(rows):
        pairs = (
            [rows[:, i] * rows[:, k] for i, k in combinations(range(rows.shape[1]), 2)] if with_pairs else []
        )
        return np.column_stack([np.ones(len(rows)), rows, *pairs])

    columns = table(x)
    weights = np.full(columns.shape[1], 4.0 * penalty)
    weights[: x.shape[1] + 1] = penalty
    weights[0] = 0.0
    solved = np.linalg.solve(columns.T @ columns + np.diag(weights), columns.T @ y)
    return lambda rows: table(rows) @ solved


@pytest.mark.parametrize(("n", "noise"), [(1, 0.0), (1, 1.0), (3, 0.05), (3, 0.5), (4, 3.0)])
def test_penalty_and_error_are_those_of_leaving_out_each_set_in_turn(n, noise):
    """Every penalty from 1e-6 to 100 times the mean square tried by leaving out each set and solving anew; the one
    with the least error is taken."""
    rng = np.random.default_rng(n)
    bits = (np.arange(3 << n)[:, None] >> np.arange(n)) & 1 > 0
    x = bits.astype(float)
    y = x.sum(axis=1) + x[:, 0] * x[:, -1] + noise * rng.normal(size=len(x))
    y[1] = np.nan
    known = np.isfinite(y)
    x, y = x[known], y[known]
    pairs = [x[:, i] * x[:, k] for i, k in combinations(range(n), 2)]
    centred = np.column_stack([x, *(0.5 * pair for pair in pairs)])
    centred = centred - centred.mean(axis=0)
    scale = (centred**2).sum() / min(centred.shape)
    best = None
    for power in range(-6, 3):
        penalty = scale * 10.0**power
        missed = []
        for i in range(len(x)):
            keep = np.arange(len(x)) != i
            missed.append(ridge_by_equations(x[keep], y[keep], penalty, n > 1)(x[i : i + 1])[0] - y[i])
        error = np.sqrt(np.mean(np.square(missed)))
        if best is None or error < best[0]:
            best = error, ridge_by_equations(x, y, penalty, n > 1)
    values = np.full(len(bits), np.nan)
    values[known] = y
    found = fit(bits, values)
    assert found.error == pytest.approx(best[0], rel=1e-6, abs=1e-9)
    np.testing.assert_allclose(found.predict(bits), best[1](bits.astype(float)), rtol=1e-6, atol=1e-6)


# --- search ---------------------------------------------------------------------------------------------


def test_search_ends_when_nothing_better_is_found_for_some_rounds():
    """A sum of elements is known after the first sets; of 512 a part is evaluated, though 500 were allowed."""
    worth = np.array([5.0, -3.0, 4.0, -1.0, 2.0, -6.0, 1.0, 3.0, -2.0])

    def value(mask: int) -> float:
        return float(sum(w for i, w in enumerate(worth) if (mask >> i) & 1))

    found = search(problem(candidates_with([1.0] * 9, None), exact(value)), 500)
    assert found.is_local_best and not found.is_exhaustive and found.n_possible == 512
    assert max(value(mask) for mask in found.sets) == pytest.approx(15.0)
    assert found.n_evaluated < 300
    assert found.surrogate_error < 1e-3


def test_neighbours_have_one_element_more_less_or_another():
    """Of "a" and "b" among four; with money for two lines no third, and with "b" only with "a" none without it."""
    evaluator = exact(float)
    free = problem(candidates_with([1.0] * 4, None), evaluator)
    assert sorted(neighbours(free, 0b0011)) == sorted(
        [0b0111, 0b1011, 0b0001, 0b0010, 0b0110, 0b1010, 0b0101, 0b1001]
    )
    bought = problem(candidates_with([1.0] * 4, 2.0), evaluator, budget=2.0)
    assert sorted(neighbours(bought, 0b0011)) == sorted([0b0001, 0b0010, 0b0110, 0b1010, 0b0101, 0b1001])
    tied = problem(candidates_with([1.0] * 4, None, plan={"requires": {"b": ["a"]}}), evaluator)
    assert sorted(neighbours(tied, 0b0011)) == sorted([0b0111, 0b1011, 0b0001, 0b0101, 0b1001])


def test_contributions_are_told_for_all_candidates_and_for_the_plan():
    """Three lines that add 1, 2 and 4, the first two of which are the plan; a plan of one line has no table."""
    candidates = candidates_with([1.0] * 3, None)
    everyone, plan = contribution_tables(candidates, exact(float), ["gain"], 0b011, None)
    assert (everyone.of_plan, plan.of_plan) == (False, True)
    assert [row.element for row in everyone.rows] == ["a", "b", "c"]
    assert [row.average.value for row in everyone.rows] == pytest.approx([1.0, 2.0, 4.0])
    assert [row.average.value for row in plan.rows] == pytest.approx([1.0, 2.0])
    assert (everyone.together.value, plan.together.value) == (pytest.approx(7.0), pytest.approx(3.0))
    assert len(contribution_tables(candidates, exact(float), ["gain"], 0b100, None)) == 1


def test_bound_is_the_sum_of_what_the_elements_left_out_add():
    """Of a sum of elements: from "a" and "b" the others add 4 and 8, and "e" would take 2 away."""
    worth = [1.0, 2.0, 4.0, 8.0, -2.0]
    evaluator = exact(lambda mask: sum(w for i, w in enumerate(worth) if (mask >> i) & 1))
    whole = problem(candidates_with([1.0] * 5, None), evaluator)
    bound, diminishing = diminishing_bound(whole, goal(), 0b00011)
    assert bound == pytest.approx(12.0, abs=1e-6)  # the solver's own tolerance
    assert np.isnan(diminishing)  # no set with two of them more is known
    # With money for one more line it is the larger of the two.
    limited = problem(candidates_with([1.0] * 5, None), evaluator, budget=1.0)
    assert diminishing_bound(limited, goal(), 0b00011)[0] == pytest.approx(8.0, abs=1e-6)
    assert diminishing_bound(whole, goal(), 0b01111)[0] == pytest.approx(0.0, abs=1e-6)


def test_largest_sum_pays_the_fixed_sum_once_and_only_if_something_hangs():
    """Lines of 1 and 2, and 5 once if any hangs."""
    candidates = candidates_with([1.0, 2.0], None, fixed=5.0)
    gains = np.array([3.0, 4.0])
    for budget, expected in ((5.9, 0.0), (6.0, 3.0), (7.0, 4.0), (7.9, 4.0), (8.0, 7.0), (None, 7.0)):
        assert largest_sum(candidates, budget, gains) == pytest.approx(expected, abs=1e-6)
    # What lies on the floor pays none of it.
    carpet = {"name": "carpet", "polygon": [[0, 0], [1, 0], [1, 1]], "material": "wood", "hire": 1.0}
    lying = candidates_of(study_of([], {"fixed": 5.0}, floor_covering=[carpet]), {})
    assert largest_sum(lying, 1.0, np.array([3.0])) == pytest.approx(3.0, abs=1e-6)
    assert largest_sum(lying, None, np.array([3.0])) == pytest.approx(3.0, abs=1e-6)
    assert largest_sum(lying, None, np.array([-3.0])) == 0.0


@pytest.mark.parametrize("seed", range(6))
def test_proposals_for_several_goals_follow_their_order(seed):
    """The first goal as far as it goes, then the second within the tolerance of the first: against all sets tried.

    Pairs count in either goal, in both, or with opposite signs."""
    rng = np.random.default_rng(seed)
    n, tolerance = 5, 1.5
    goals = [goal(tolerance, name="first"), goal(name="second", better=-1)]
    pair = np.triu(rng.normal(size=(n, n)), 1)
    pairs = [pair, np.triu(rng.normal(size=(n, n)), 1)]
    if seed % 3 < 2:
        pairs[seed % 3] = np.zeros((n, n))
    models = [Surrogate(0.3, rng.normal(size=n), of_goal, 0.0) for of_goal in pairs]
    candidates = candidates_with([1.0] * n, 3.0)
    allowed = candidates.all_sets()[candidates.allowed(candidates.all_bits())]
    first, second = (model.predict(candidates.bits(allowed)) for model in models)
    near = first >= first.max() - tolerance
    best = allowed[near][second[near].argmin()]
    assert propose(candidates, goals, models, 3.0, [], 1) == [best]


def test_a_line_that_switches_on_a_load_above_the_limit_is_refused():
    """100 kW are there, a second system takes 120 and one that plays already 30, which it can do without."""
    changes = [
        {"name": "second", "switch_on": ["second"], "power": 120.0},
        {"name": "small", "switch_on": ["third"], "power": 20.0},
    ]
    study = study_of(
        [drape("a")],
        {"power_available": 100.0},
        {"candidates": ["second", "small", "a"]},
        system_change=changes,
    )
    names = ("talker", "second", "third")
    sources = [{"name": name, "position": [0, 0, 1], "level": [70] * 8} for name in names]
    found = candidates_of(
        study.model_copy(update={"sources": study.sources.model_validate({"schema": 1, "source": sources})}),
        {},
    )
    assert found.names == ("a", "small")
    assert list(found.refused) == ["second"] and "electric power" in found.refused["second"]
