"""Delays, order of arrivals, spacing of fills, exposure: the arithmetic of the trade, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.physics.arrival import (
    fill_spacing,
    precedence_limit,
)
from roomsim.sound_system.direct_sound import DirectSound
from roomsim.sound_system.timing import ECHO, OK, TAKEN_OVER, arrival_order, propose_delays, with_delays

C = 342.0


def sound(roles, arrival, level, delay=None):
    """Arrivals in ms and levels in dB, sources by seats; the level is that of the four speech bands together."""
    arrival, level = np.atleast_2d(np.array(arrival, float)), np.atleast_2d(np.array(level, float))
    energy = np.zeros((*level.shape, 8))
    energy[..., 3:7] = 10.0 ** (level[..., None] / 10.0) / 4.0
    return DirectSound(
        roles=tuple(roles),
        arrival=arrival / 1000.0,
        energy=energy,
        delay=np.zeros(len(roles)) if delay is None else np.array(delay) / 1000.0,
        visible=np.ones(level.shape, bool),
    )


ALL = np.ones(2, bool)


def test_delay_of_the_demo():
    """17.0 m at 342 m/s are 49.7 ms, and 10 ms for the precedence of the mains: 60 ms, as done on paper."""
    # A seat 5 m before the delay, which hangs 17 m nearer than the mains.
    direct = sound(("main", "delay"), [[1e3 * 22.0 / C], [1e3 * 5.0 / C]], [[70.0], [70.0]])
    (found,) = propose_delays(direct, ALL)
    assert found.proposed == 59.8  # 59.71 to the next tenth
    assert round(found.proposed) == 60
    assert found.main_arrival - found.travel == pytest.approx(49.7, abs=0.05)


def test_the_seat_where_the_mains_come_latest_decides():
    # Mains 60, 62, 70 ms; delay box 10, 20, 12 ms away: it must wait 50, 42, 58 ms, and 10 more.
    direct = sound(("main", "delay"), [[60, 62, 70], [10, 20, 12]], [[70] * 3, [68, 71, 66]])
    (found,) = propose_delays(direct, ALL)
    assert (found.seat, found.proposed, len(found.served)) == (2, 68.0, 3)
    assert found.lag == pytest.approx((10.0, 26.0))
    assert found.louder == pytest.approx((-4.0, 1.0))
    # A delay that is there already changes nothing: the time is counted from the box.
    late = sound(("main", "delay"), [[60, 62, 70], [40, 50, 42]], [[70] * 3, [68, 71, 66]], [0, 30])
    assert propose_delays(late, ALL)[0].proposed == 68.0
    assert propose_delays(late, ALL)[0].delay == 30.0


def test_seats_out_of_reach_do_not_decide():
    # At the second seat the delay is 20 dB below the mains: nobody hears it there.
    direct = sound(("main", "delay"), [[60, 90], [10, 12]], [[70, 80], [70, 60]])
    (found,) = propose_delays(direct, ALL)
    assert found.served.tolist() == [0] and found.proposed == 60.0


def test_each_seat_belongs_to_the_loudest_fill():
    arrival = [[20, 20], [3, 8], [8, 3]]
    direct = sound(("main", "fill", "fill"), arrival, [[60, 60], [70, 64], [64, 70]])
    found = propose_delays(direct, np.ones(3, bool), offset=0.005)
    assert [p.served.tolist() for p in found] == [[0], [1]]
    assert [p.proposed for p in found] == [22.0, 22.0]


def test_nothing_to_time():
    assert propose_delays(sound(("main",), [[20.0]], [[60.0]]), np.ones(1, bool)) == []
    assert propose_delays(sound(("main", "delay"), [[20], [1]], [[60], [60]]), np.array([True, False])) == []


def test_a_hidden_main_does_not_count_where_another_is_seen():
    direct = sound(("main", "main", "fill"), [[10], [30], [5]], [[60], [60], [60]])
    direct.visible[0, 0] = False
    (found,) = propose_delays(direct, np.ones(3, bool))
    assert found.proposed == 35.0


def test_order_of_arrivals():
    roles = ("main", "delay")
    #          ok: 15 ms later, 5 dB louder; delay first; 15 ms later but 12 dB louder; echo 60 ms later
    arrival = [[50, 50, 50, 50], [65, 30, 65, 110]]
    level = [[70, 70, 70, 70], [75, 70, 82, 72]]
    got = arrival_order(sound(roles, arrival, level), ALL)
    assert got.first.tolist() == [0, 1, 0, 0]
    assert got.verdict.tolist() == [OK, TAKEN_OVER, TAKEN_OVER, ECHO]


def test_sources_that_nobody_hears_set_no_order():
    # The fill comes first, but 20 dB below; subs and noise are no part of it.
    roles = ("main", "fill", "sub", "noise")
    direct = sound(roles, [[50], [5], [1], [1]], [[70], [50], [90], [90]])
    got = arrival_order(direct, np.ones(4, bool))
    assert got.first.tolist() == [0] and got.verdict.tolist() == [OK]


def test_proposed_delays_put_the_mains_first():
    direct = sound(("main", "delay"), [[60, 62, 70], [10, 20, 12]], [[70] * 3, [68, 71, 66]])
    assert (arrival_order(direct, ALL).verdict != OK).all()
    timed = with_delays(direct, propose_delays(direct, ALL))
    got = arrival_order(timed, ALL)
    assert (got.verdict == OK).all() and (np.diff(timed.arrival, axis=0) >= 0.010 - 1e-12).all()
    # And again: the same delays, whatever is written down already.
    assert propose_delays(timed, ALL)[0].proposed == propose_delays(direct, ALL)[0].proposed


def test_precedence_is_that_of_haas():
    # 10 dB from 5 to 30 ms (Haas 1951); an echo at 80 ms must be weaker than the first.
    np.testing.assert_allclose(precedence_limit([0.005, 0.010, 0.030]), 10.0)
    assert precedence_limit(0.080) < 0.0 and precedence_limit(1.0) == precedence_limit(0.080)


def test_fills_for_a_first_row():
    # 90 degrees at 1.5 m: 2 x 1.5 x tan 45 = 3.0 m, the "one per 2 to 3 m" of the trade (common practice).
    assert fill_spacing(1.5, 90.0) == pytest.approx(3.0)
    assert fill_spacing(2.0, 60.0) == pytest.approx(2.3094, abs=5e-5)  # 4 / sqrt(3)
