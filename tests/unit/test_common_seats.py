"""Means of decay times over the same seats, and what is recorded where a time is missing."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.metrics.common_seats import TIMES, common_seats, seats_of_means
from roomsim.metrics.replicated import Replicated
from roomsim.study.caveats import missing_times
from roomsim.study.compare import STI, compare

EDT, T20, T30 = TIMES
LEVEL = "sound_pressure_level"
N, N_SEATS = 20, 10


def known(value: np.ndarray) -> Replicated:
    """(n_receivers, n_scenarios, 8), with a little chance."""
    noise = 1e-3 * np.random.default_rng(1).standard_normal((N, *value.shape))
    return Replicated(value, value + noise - noise.mean(axis=0))


def two_rooms() -> dict[str, Replicated]:
    """Six seats in a dry room, 1 s, and four in a live one, 5 s, where T30 is missing in the first scenario."""
    times = np.where(np.arange(N_SEATS) < 6, 1.0, 5.0)[:, None, None] * np.ones((1, 2, 8))
    late = times.copy()
    late[6:, 0] = np.nan
    figures = {EDT: times, T20: times, T30: late, "curvature": 100.0 * (late / times - 1.0), LEVEL: 60.0 + 0 * times}
    sti = Replicated(np.full((N_SEATS, 2), 0.5), np.full((N, N_SEATS, 2), 0.5))
    return {STI: sti, **{name: known(value) for name, value in figures.items()}}


def test_means_of_one_room_are_over_the_same_seats():
    room = compare(two_rooms(), [0, 0], 0.5).room
    for name in TIMES:
        # Over the dry room where only that has a T30; over both where both have it: (6 + 4 * 5) / 10.
        assert room[name].value[0] == pytest.approx(1.0, abs=1e-12), name
        assert room[name].value[1] == pytest.approx(2.6, abs=1e-12), name
    assert room[LEVEL].value == pytest.approx(60.0)


def test_a_gain_is_over_the_seats_that_both_scenarios_count():
    gains = compare(two_rooms(), [0, 0], 0.5).room_gains
    for name in TIMES:
        assert gains[name].value[1] == pytest.approx(0.0, abs=1e-12), name


def test_a_time_that_most_seats_lack_is_not_given_and_does_not_take_the_others_with_it():
    there = {name: np.ones((10, 3), bool) for name in TIMES}
    there[T30][4:, 0] = False  # T30 at 4 of 10
    there[EDT][:4, 1] = False  # EDT at 6 and T30 at 7 of 10, both at 3
    there[T30][7:, 1] = False
    there[T30][:, 2] = False  # nowhere
    there[T20][5:, 2] = False
    seats = common_seats(there)
    assert [seats[name][:, 0].sum() for name in TIMES] == [10, 10, 0]
    assert [seats[name][:, 1].sum() for name in TIMES] == [0, 7, 7]
    assert [seats[name][:, 2].sum() for name in TIMES] == [5, 5, 0]
    np.testing.assert_array_equal(seats[T20][:, 2], there[T20][:, 2])
    # With one time alone its seats are what there is.
    assert common_seats({T20: there[T20]})[T20][:, 2].sum() == 5


def test_a_seat_whose_time_one_replicate_lacks_counts_for_none():
    figures = two_rooms()
    figures[T20].left_out[3, 0, 1] = np.nan
    room = compare(figures, [0, 0], 0.5).room
    for name in TIMES:
        assert room[name].value[1] == pytest.approx(25.0 / 9.0, abs=1e-3), name


def lacking(name: str, full: bool, later: bool = True) -> dict[str, Replicated]:
    """A time missing at 7 of 10 seats of the second scenario at 125 and 250 Hz: in all sums, or in one alone."""
    figures = {time: known(np.ones((N_SEATS, 2, 8))) for time in (*TIMES, LEVEL)}
    gone = (slice(0, 7), 1, slice(1, 3))
    for time in TIMES[TIMES.index(name) :] if later else [name]:
        if full:
            figures[time].full[gone] = np.nan
        figures[time].left_out[(0, *gone)] = np.nan
    return figures


@pytest.mark.parametrize(
    ("figures", "cause"),
    [
        (lacking(T30, full=True), "missing_time_cut_off"),
        (lacking(T30, full=False), "missing_time_few_paths"),
        (lacking(EDT, full=True, later=False), "missing_time_early_drop"),
    ],
)
def test_a_time_missing_at_most_seats_is_recorded_with_its_cause(figures, cause):
    (missing,) = missing_times(["bare", "drape"], figures)
    assert (missing.code, missing.scenario, missing.bands) == (cause, "drape", (1, 2))
    values = missing.values
    assert (values["missing"], values["heard"], values["band"], missing.severity) == (7, 10, 1, 0.7)
    assert values["range_end"] == {EDT: 10.0, T30: 35.0}[missing.subject]


def test_a_time_missing_at_few_seats_is_not_recorded():
    figures = lacking(T30, full=True)
    figures[T30].full[2:7] = 1.0
    figures[T30].left_out[:, 2:7] = 1.0
    assert missing_times(["bare", "drape"], figures) == []


def test_what_is_made_of_two_times_is_given_only_where_both_are() -> None:
    """T20 at every seat and T30 at none: their curvature has no seat either."""
    finite, missing = np.ones((5, 1, 8)), np.full((5, 1, 8), np.nan)
    times = {"reverberation_time_t20": finite, "reverberation_time_t30": missing, "curvature": missing}
    figures = {name: Replicated(value, np.stack([value, value])) for name, value in times.items()}
    seats = seats_of_means(figures)
    assert seats["reverberation_time_t20"].all()
    assert not seats["curvature"].any()


def test_what_is_not_among_the_figures_has_no_seats() -> None:
    times = {name: known(np.ones((N_SEATS, 1, 8))) for name in (T20, T30)}
    assert set(seats_of_means(times)) == {T20, T30}
    # A curvature without the T30 that it was made of is averaged over all seats that have it.
    assert set(seats_of_means({T20: times[T20], "curvature": times[T30]})) == {T20}


def test_a_time_that_a_single_seat_has_counts_as_one_that_there_is() -> None:
    """T20 at all ten seats and T30 at one: T30 goes, and T20 keeps all its seats."""
    there = {T20: np.ones((N_SEATS, 1), bool), T30: (np.arange(N_SEATS) == 3)[:, None]}
    seats = common_seats(there)
    assert seats[T20].all() and not seats[T30].any()
    only = common_seats({T30: there[T30]})
    assert only[T30].sum() == 1
