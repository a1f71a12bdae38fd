"""Bands with too few late paths are told, and only these."""

from __future__ import annotations

import numpy as np

from roomsim.estimate import Estimate
from roomsim.study.late_paths import MOST, few_late_paths

TIMES = list(MOST)
N_SEATS, SCENARIOS = 5, ["bare", "drape"]


def seats_with(relative, time=TIMES[1], value=2.0):
    """Estimates of all times; the standard error of one is `relative` (n_scenarios, 8) of its value at every seat."""
    shape = (N_SEATS, len(SCENARIOS), 8)
    known = {name: Estimate(np.full(shape, value), np.full(shape, 0.01 * value), 20) for name in TIMES}
    return {**known, time: Estimate(np.full(shape, value), np.broadcast_to(relative * value, shape).copy(), 20)}


def errors(**of_bands):
    relative = np.full((len(SCENARIOS), 8), 0.99 * MOST[TIMES[1]])
    for scenario, bands in of_bands.items():
        for band, error in bands.items():
            relative[SCENARIOS.index(scenario), band] = error
    return relative


def test_nothing_is_said_where_errors_can_be_trusted():
    assert few_late_paths(SCENARIOS, seats_with(errors())) == []


def test_figure_bands_and_scenario_are_named():
    (said,) = few_late_paths(SCENARIOS, seats_with(errors(drape={0: 0.12, 1: 0.1, 2: 0.09})))
    assert said.startswith("drape: too few late paths reach the seats at 63, 125 and 250 Hz. ")
    assert "of the T20 at the median seat is as large as 12% of the value" in said


def test_the_scenario_that_is_worst_speaks_for_all():
    (said,) = few_late_paths(SCENARIOS, seats_with(errors(bare={0: 0.1}, drape={7: 0.2})))
    assert said.startswith("drape, and so all scenarios: ") and "at 8000 Hz" in said


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


def test_a_value_without_an_error_counts_and_a_seat_without_a_value_does_not():
    seats = seats_with(errors())
    seats[TIMES[1]].standard_error[:3, 1, 0] = np.nan
    (said,) = few_late_paths(SCENARIOS, seats)
    assert "unknown" in said
    seats[TIMES[1]].value[:3, 1, 0] = np.nan
    assert few_late_paths(SCENARIOS, seats) == []
    seats[TIMES[1]].value[:, 1, 0] = np.nan
    assert few_late_paths(SCENARIOS, seats) == []
