"""What makes figures doubtful, found in figures; its wording is tested in test_caveat_messages.py."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.decay.slopes import TwoSlopes
from roomsim.estimate import Estimate
from roomsim.metrics.common_seats import TIMES
from roomsim.study.caveats import LARGEST_RELATIVE_ERROR, bent_decays, few_late_paths

N_SEATS, SCENARIOS = 5, ["bare", "drape"]


def seats_with(relative, time=TIMES[1], value=2.0):
    """Estimates of all times; the standard error of one is `relative` (n_scenarios, 8) of its value at every seat."""
    shape = (N_SEATS, len(SCENARIOS), 8)
    known = {name: Estimate(np.full(shape, value), np.full(shape, 0.01 * value), 20) for name in TIMES}
    return {**known, time: Estimate(np.full(shape, value), np.broadcast_to(relative * value, shape).copy(), 20)}


def errors(**of_bands):
    relative = np.full((len(SCENARIOS), 8), 0.99 * LARGEST_RELATIVE_ERROR)
    for scenario, bands in of_bands.items():
        for band, error in bands.items():
            relative[SCENARIOS.index(scenario), band] = error
    return relative


def test_no_caveat_where_errors_can_be_trusted():
    assert few_late_paths(SCENARIOS, seats_with(errors())) == []


def test_quantity_bands_and_scenario_are_recorded():
    (few,) = few_late_paths(SCENARIOS, seats_with(errors(drape={0: 0.14, 1: 0.12, 2: 0.11})))
    assert (few.code, few.scenario, few.subject, few.bands) == ("few_late_paths", "drape", TIMES[1], (0, 1, 2))
    assert few.values["relative_error"] == few.severity == pytest.approx(0.14)


def test_every_scenario_and_every_time_has_its_own():
    few = few_late_paths(SCENARIOS, seats_with(errors(bare={0: 0.12}, drape={7: 0.2})))
    assert [(one.scenario, one.bands) for one in few] == [("bare", (0,)), ("drape", (7,))]
    poor = errors(bare={0: 0.2})
    seats = {name: seats_with(poor, name)[name] for name in TIMES}
    assert [one.subject for one in few_late_paths(SCENARIOS, seats)] == list(TIMES)


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
    (few,) = few_late_paths(SCENARIOS, seats)
    assert few.bands == (0, 1)
    seats[TIMES[1]].value[:, 0, :2] = seats[TIMES[1]].standard_error[:, 0, :2] = np.nan
    assert few_late_paths(SCENARIOS, seats) == []


# --- more than one slope ----------------------------------------------------------------------------------


def figures_of(curvature, error):
    times = {"early_decay_time": 1.2, "reverberation_time_t20": 1.8, "reverberation_time_t30": 2.5}
    flat = {name: Estimate(np.full((2, 8), time), np.full((2, 8), 0.01), 20) for name, time in times.items()}
    return {**flat, "curvature": Estimate(curvature, np.full((2, 8), error), 20)}


def slopes_of(scenario, band):
    """1 s and 3 s, a tenth of the decay at its start being the slow one: equally strong after 0.24 s."""
    return TwoSlopes(1.0, 3.0, 0.1, 0.01)


def test_a_bent_decay_is_recorded_with_its_worst_band_and_its_times():
    curvature = np.full((2, 8), 3.0)
    curvature[1, 2:4] = 20.0, 30.0
    (bent,) = bent_decays(SCENARIOS, figures_of(curvature, 2.0), slopes_of)
    assert (bent.scenario, bent.bands, bent.severity) == ("drape", (3,), 30.0)
    assert list(bent.values.values())[:5] == [1.2, 1.8, 2.5, 1.0, 3.0]
    # ln 9 / (13.816 - 4.605) = 0.2385 s, from 0.05 s on.
    assert bent.values["late_from"] == pytest.approx(0.2885, abs=1e-4)
    (bent,) = bent_decays(SCENARIOS, figures_of(curvature, 2.0), lambda *_: TwoSlopes(1.0, 3.0, 0.6, 0.01))
    assert bent.values["late_from"] == 0.0  # stronger from the start


def test_slopes_are_those_of_the_most_bent_decay_and_explain_it():
    curvature = np.full((2, 8), 15.0)
    curvature[1, 3] = 30.0
    bare, drape = bent_decays(SCENARIOS, figures_of(curvature, 1.0), slopes_of)
    assert "late" not in bare.values and "late" in drape.values
    _, drape = bent_decays(SCENARIOS, figures_of(curvature, 1.0), lambda *_: TwoSlopes(1.0, 3.0, 0.1, 2.0))
    assert "late" not in drape.values


def test_what_may_be_chance_or_lies_outside_the_bands_is_not_recorded():
    unsure, deep = np.full((2, 8), 13.0), np.full((2, 8), 3.0)
    deep[:, 0] = 50.0  # 63 Hz
    # 13 +- 2.09 * 2 does not lie surely above 10; 13 +- 2.09 * 1 does: the control.
    assert bent_decays(SCENARIOS, figures_of(unsure, 2.0), slopes_of) == []
    assert bent_decays(SCENARIOS, figures_of(deep, 1.0), slopes_of) == []
    assert bent_decays(SCENARIOS, figures_of(unsure, 1.0), slopes_of) != []
