"""Whether a plan remains with other absorption, how far it is confirmed, and the model that proposes sets: by hand."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from plans import N_REPLICATES, candidates_with, exact, goal, problem
from scipy import stats

from roomsim.planning.results import Option
from roomsim.planning.robustness import CASES, Shifts, robustness
from roomsim.planning.search import search
from roomsim.planning.surrogate import fit
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
    shifts = Shifts((0, 5), {}, {"gain": np.array([[0.3, 0.7], [-0.4, -0.1]]), "other": np.zeros((0, 2))})
    # Of the set 0.7 and -0.1: sqrt(0.25); of its gain over the start 0.4 and 0.3: sqrt(0.125).
    assert shifts.input_error("gain", 5) == pytest.approx((0.5, np.sqrt(0.125)))
    assert shifts.input_error("gain", 0) == pytest.approx((np.sqrt(0.125), 0.0))
    assert shifts.input_error("gain", 3) is None
    assert shifts.input_error("other", 5) is None


GAINS = {0b00: 0.0, 0b01: 0.50, 0b10: 0.40}
PLAN, OTHER = 0b01, 0b10


def chosen_again(tolerance: float, draws: list[list[float]], cases: dict[str, list[float]], **keys):
    """Two lines of one price; shifts of the start, the plan and the other line."""
    candidates = candidates_with([2.0, 2.0], None)
    whole = problem(candidates, exact(GAINS.get), goal(tolerance, **keys))
    shifts = Shifts(
        (0, PLAN, OTHER),
        {name: {"gain": np.array(shift)} for name, shift in cases.items()},
        {"gain": np.array(draws, dtype=float).reshape(-1, 3)},
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
    shifts = Shifts((0, 1, 2), {}, {"flat": np.zeros((0, 3)), "steep": np.zeros((0, 3))})
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
    """A sum of elements is known after the first sets; of 4096 a small part is evaluated, though more were allowed."""
    worth = np.array([5.0, -3.0, 4.0, -1.0, 2.0, -6.0, 1.0, 3.0, -2.0, 0.5, -0.5, 7.0])
    evaluated = []

    def value(mask: int) -> float:
        evaluated.append(mask)
        return float(sum(w for i, w in enumerate(worth) if (mask >> i) & 1))

    whole = problem(candidates_with([1.0] * 12, None), exact(value))
    found = search(whole, 2000)
    assert found.is_local_best and not found.is_exhaustive and found.n_possible == 4096
    assert max(value(mask) for mask in found.sets) == pytest.approx(worth[worth > 0.0].sum())
    assert found.n_evaluated < 1000
    assert found.surrogate_error < 1e-3
