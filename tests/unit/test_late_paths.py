"""Bands with too few late paths are told, and only these."""

from __future__ import annotations

import numpy as np

from roomsim.estimate import Estimate
from roomsim.study.late_paths import LARGEST, MOST, TIMES, few_late_paths, steadied

N_SEATS, SCENARIOS = 5, ["bare", "drape"]


def seats_with(relative, time=TIMES[1], value=2.0):
    """Estimates of all times; the standard error of one is `relative` (n_scenarios, 8) of its value at every seat."""
    shape = (N_SEATS, len(SCENARIOS), 8)
    known = {name: Estimate(np.full(shape, value), np.full(shape, 0.01 * value), 20) for name in TIMES}
    return {**known, time: Estimate(np.full(shape, value), np.broadcast_to(relative * value, shape).copy(), 20)}


def errors(**of_bands):
    relative = np.full((len(SCENARIOS), 8), 0.99 * MOST)
    for scenario, bands in of_bands.items():
        for band, error in bands.items():
            relative[SCENARIOS.index(scenario), band] = error
    return relative


def test_nothing_is_said_where_errors_can_be_trusted():
    assert few_late_paths(SCENARIOS, seats_with(errors())) == []


def test_figure_bands_and_scenario_are_named():
    (said,) = few_late_paths(SCENARIOS, seats_with(errors(drape={0: 0.14, 1: 0.12, 2: 0.11})))
    assert said.startswith("drape: Too few late paths reach the seats at 63, 125, 250 Hz. ")
    assert "of the T20 at the median seat is as large as 14% of the value" in said


def test_the_scenario_that_is_worst_speaks_for_all():
    (said,) = few_late_paths(SCENARIOS, seats_with(errors(bare={0: 0.12}, drape={7: 0.2})))
    assert said.startswith("drape, and less so all other scenarios: ") and "at 8000 Hz" in said


def test_every_time_has_its_own_sentence():
    poor = errors(bare={0: 0.2})
    seats = {name: seats_with(poor, name)[name] for name in TIMES}
    said = few_late_paths(SCENARIOS, seats)
    assert [sentence.split(" at the median seat")[0].split()[-1] for sentence in said] == ["EDT", "T20", "T30"]


def test_the_median_seat_decides():
    seats = seats_with(errors())
    seats[TIMES[2]].standard_error[:2, 0, 3] = 1.0  # two of five
    assert few_late_paths(SCENARIOS, seats) == []
    seats[TIMES[2]].standard_error[2, 0, 3] = 1.0  # three of five: the control
    assert len(few_late_paths(SCENARIOS, seats)) == 1


def test_seats_without_a_value_do_not_count():
    seats = seats_with(errors(bare={0: 0.2}))
    for one in (seats[TIMES[1]].value, seats[TIMES[1]].standard_error):
        one[:3, 0, 1] = np.nan
    seats[TIMES[1]].standard_error[3:, 0, 1] = 0.5
    (said,) = few_late_paths(SCENARIOS, seats)
    assert "at 63, 125 Hz" in said
    seats[TIMES[1]].value[:, 0, :2] = seats[TIMES[1]].standard_error[:, 0, :2] = np.nan
    assert few_late_paths(SCENARIOS, seats) == []


# --- errors made steady -----------------------------------------------------------------------------------


def test_half_of_the_squared_relative_error_is_that_of_all_seats():
    value = np.array([1.0, 2.0, 4.0])[:, None, None] * np.ones((3, 1, 8))
    relative = np.array([0.02, 0.03, 0.04])[:, None, None]
    got = steadied(Estimate(value, relative * value, 20))
    # Mean of the squares: (4 + 9 + 16) / 3 = 29 / 3, in units of 1e-4.
    wanted = np.sqrt([(4 + 29 / 3) / 2, (9 + 29 / 3) / 2, (16 + 29 / 3) / 2])
    np.testing.assert_allclose(got.standard_error[:, 0, 3], 1e-2 * wanted * [1.0, 2.0, 4.0])
    assert np.array_equal(got.value, value) and got.n_replicates == 20


def test_errors_that_are_alike_stay_and_one_odd_seat_keeps_its_own():
    value = np.full((101, 1, 8), 2.0)
    alike = np.full(value.shape, 0.05)
    np.testing.assert_allclose(steadied(Estimate(value, alike, 20)).standard_error, alike)
    odd = alike.copy()
    odd[0] = 2.0
    got = steadied(Estimate(value, odd, 20)).standard_error
    assert (got[1:] <= 0.05 * np.sqrt(1.0 + 0.5 * (LARGEST - 1.0) / 101) + 1e-12).all()
    assert (got[0] > 2.0 / np.sqrt(2.0)).all()


def test_seats_and_bands_without_a_figure_stay_without():
    value = np.full((4, 1, 8), 2.0)
    value[0], value[:, :, 0] = np.nan, np.nan
    got = steadied(Estimate(value, np.where(np.isnan(value), np.nan, 0.1), 20)).standard_error
    assert np.array_equal(np.isnan(got), np.isnan(value))
    np.testing.assert_allclose(got[1:, :, 1:], 0.1)
