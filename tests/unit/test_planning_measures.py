"""Measures of a whole set of elements, and how they shift with absorption."""

from __future__ import annotations

import numpy as np
import pytest
from plans import choice, drape, study_of

from roomsim.metrics.common_seats import TIMES
from roomsim.planning.goals import goals_of, measures_of
from roomsim.planning.robustness import shift_of

MID, BASS = [3, 4], [0, 1]
"""Octaves of 500 Hz and 1 kHz, and of 63 and 125 Hz, counted from 63 Hz."""


def measures_with(**plan):
    return measures_of(study_of([drape("a")], plan=plan))


def seats_with(times):
    """(3 seats, n_sets, 8) reverberation times whose mean over the seats is the same in all bands."""
    return np.array([0.9, 1.0, 1.1])[:, None, None] * np.array(times)[:, None] * np.ones(8)


def test_reverberation_below_the_required_minimum_counts_as_much_as_above_the_maximum():
    measures = measures_with(reverberation_at_most=[2.0] * 8, reverberation_at_least=[1.2] * 8)
    times = [0.6, 1.08, 1.2, 1.6, 2.0, 2.5]
    # By hand: (1.2 - 0.6) / 1.2, (1.2 - 1.08) / 1.2, within the curve three times, (2.5 - 2.0) / 2.0.
    expected = [0.5, 0.1, 0.0, 0.0, 0.0, 0.25]
    for name in ("reverberation_mid", "reverberation_bass"):
        assert measures[name].statistic(seats_with(times)) == pytest.approx(expected, abs=1e-12)
    # Without a minimum too little reverberation is no fault.
    free = measures_with(reverberation_at_most=[2.0] * 8)
    assert free["reverberation_mid"].statistic(seats_with(times)) == pytest.approx([0.0] * 5 + [0.25], abs=1e-12)


def test_a_minimum_below_one_second_counts_too():
    """0.8 s are required: 0.6 s are a quarter short."""
    measures = measures_with(reverberation_at_most=[1.0] * 8, reverberation_at_least=[0.8] * 8)
    assert measures["reverberation_mid"].statistic(seats_with([0.6, 0.9])) == pytest.approx([0.25, 0.0])


def test_each_pair_of_octaves_is_held_to_its_own_minimum():
    least = np.full(8, 0.01)
    least[MID], least[BASS] = [1.0, 2.0], [4.0, 1.0]
    measures = measures_with(reverberation_at_most=[9.0] * 8, reverberation_at_least=least.tolist())
    seats = seats_with([1.0])
    # 1 s where 1 and 2 s are required, and where 4 and 1 s are: a half and three quarters short, in one band of two.
    assert measures["reverberation_mid"].statistic(seats) == pytest.approx([0.25])
    assert measures["reverberation_bass"].statistic(seats) == pytest.approx([0.375])


def test_a_set_that_is_too_dead_is_not_proposed():
    plan = {
        "goal": [{"figure": "reverberation_mid"}],
        "reverberation_at_most": [2.0] * 8,
        "reverberation_at_least": [1.2] * 8,
    }
    study = study_of([drape("a")], plan=plan)
    measures = measures_of(study)
    values = {"reverberation_mid": measures["reverberation_mid"].statistic(seats_with([2.6, 1.5, 0.8]))}
    # The set with the least reverberation is the least demanding, but it is not proposed.
    assert choice(goals_of(study, measures), [(2.0,), (1.0,), (0.0,)]).proposed([0, 1, 2], values) == 1


def test_shift_of_a_mean_time_is_over_the_seats_that_have_it_both_ways():
    """Four seats: at three of them 2 s become 1.8 s; the fourth, of 8 s, loses its time with the other absorption."""
    measures = measures_with()
    stated = {name: np.full((4, 1, 8), 2.0) for name in TIMES}
    stated["reverberation_time_t20"][3] = 8.0
    varied = {name: 0.9 * times for name, times in stated.items()}
    varied["reverberation_time_t20"][3] = np.nan
    for seats in (stated, varied):
        seats["speech_transmission_index"] = np.full((4, 1), 0.5)
        seats["a_weighted_level"] = np.full((4, 1), 70.0)
    shift = shift_of(measures, stated, varied)
    assert shift["t20_mid"] == pytest.approx([-0.2])
    assert shift["t20_bass"] == pytest.approx([-0.2])
    assert shift["sti_median"] == pytest.approx([0.0])


def test_shift_of_a_mean_time_is_over_seats_that_have_all_times():
    """A seat that has a T20 and no T30 is left out of the mean, as in the figures of the search."""
    measures = measures_with()
    stated = {name: np.full((4, 1, 8), 2.0) for name in TIMES}
    varied = {name: np.full((4, 1, 8), 1.8) for name in TIMES}
    varied["reverberation_time_t20"][3] = 6.0
    stated["reverberation_time_t30"][3] = varied["reverberation_time_t30"][3] = np.nan
    for seats in (stated, varied):
        seats["speech_transmission_index"] = np.full((4, 1), 0.5)
        seats["a_weighted_level"] = np.full((4, 1), 70.0)
    assert shift_of(measures, stated, varied)["t20_mid"] == pytest.approx([-0.2])
