"""Further figures of a diffuse room, and the sentence on decays with more than one slope."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scenes import box_scene, omnidirectional

from roomsim.decay.slopes import TwoSlopes
from roomsim.estimate import Estimate
from roomsim.study.statistical import bent_decays, room_figures

SEAT = (17.0, 8.0, 3.0)
"""10 m from the source."""


def hall(n_sources=1):
    """30 x 20 x 8 m, 2,000 m2 of absorption 0.183: 366 m2."""
    scene = box_scene((30, 20, 8), 0.183, 0.5, (7, 8, 3), [SEAT])
    positions = [(7, 8, 3), (7, 12, 3)][:n_sources]
    return replace(scene, sources=omnidirectional(positions))


def test_printed_values():
    found = room_figures(hall(), np.full((1, 8), 1.5))
    # sqrt(Q A / 16 pi) for 366 m2, worked out by hand to four decimals.
    assert found["critical_distance"] == pytest.approx(2.6984, abs=5e-5)
    # 200 r^2 T^2 / (V Q) = 1.8750 % for Q = 5 at 10 m, 1.5 s, 4,800 m3 (by hand): five times that for Q = 1.
    assert found["articulation_loss"] == pytest.approx(5 * 1.8750, rel=1e-3)  # the balloon's quadrature
    # 2000 sqrt(T / V): 40.825 Hz for 2 s (by hand).
    assert room_figures(hall(), np.full((1, 8), 2.0))["schroeder_frequency"] == pytest.approx(40.825, abs=5e-4)


def test_a_second_source_only_adds_to_the_reverberation():
    one, two = (room_figures(hall(n), np.full((1, 8), 1.5)) for n in (1, 2))
    assert two["critical_distance"] == pytest.approx(one["critical_distance"] / np.sqrt(2), rel=1e-9)
    # Its limiting distance is now 0.21 sqrt(4800 / (2 * 1.5)) = 8.4 m: beyond it Peutz has 9 T.
    assert two["articulation_loss"] == pytest.approx(13.5, rel=1e-9)


def test_nothing_is_said_where_nothing_plays():
    silent = hall()
    silent = replace(silent, sources=replace(silent.sources, active=np.zeros((1, 1))))
    found = room_figures(silent, np.full((1, 8), 1.5))
    assert np.isnan(found["critical_distance"]).all() and np.isnan(found["articulation_loss"]).all()


def figures_of(curvature, error):
    times = {"early_decay_time": 1.2, "reverberation_time_t20": 1.8, "reverberation_time_t30": 2.5}
    flat = {name: Estimate(np.full((2, 8), time), np.full((2, 8), 0.01), 20) for name, time in times.items()}
    return {**flat, "curvature": Estimate(curvature, np.full((2, 8), error), 20)}


def slopes_of(scenario, band):
    """1 s and 3 s, a tenth of the decay at its start being the slow one: equally strong after 0.23 s."""
    return TwoSlopes(1.0, 3.0, 0.1, 0.01)


def test_bent_decays_are_told_with_their_band_and_scenarios():
    curvature = np.full((2, 8), 3.0)
    curvature[1, 3] = 30.0
    (said,) = bent_decays(["bare", "drape"], figures_of(curvature, 2.0), slopes_of)
    assert said.startswith("drape: ") and "bent at 500 Hz: EDT 1.2 s, T20 1.8 s, T30 2.5 s" in said
    # ln 9 / (13.816 - 4.605) = 0.2385 s, from 0.05 s on.
    assert "times of 1 s and 3 s; the slower one is the stronger from 0.29 s after the direct sound on." in said
    (said,) = bent_decays(["bare", "drape"], figures_of(curvature, 2.0), lambda *_: TwoSlopes(1.0, 3.0, 0.6, 0.01))
    assert "the slower one is the stronger from the start on" in said


def test_slopes_that_leave_much_unexplained_are_not_quoted():
    (said,) = bent_decays(["bare", "drape"], figures_of(np.full((2, 8), 30.0), 1.0), lambda *_: TwoSlopes(1, 3, 0.1, 2))
    assert "sum of two decays" not in said


def test_the_most_bent_decay_is_told_first():
    curvature = np.full((2, 8), 15.0)
    curvature[1, 3] = 30.0
    (said,) = bent_decays(["bare", "drape"], figures_of(curvature, 1.0), slopes_of)
    assert said.startswith("drape, and less so all other scenarios: ") and "bent at 500 Hz" in said


def test_what_may_be_chance_or_lies_outside_the_bands_is_not_told():
    unsure, deep = np.full((2, 8), 13.0), np.full((2, 8), 3.0)
    deep[:, 0] = 50.0  # 63 Hz
    # 13 +- 2.09 * 2 does not lie surely above 10; 13 +- 2.09 * 1 does: the control.
    assert bent_decays(["bare", "drape"], figures_of(unsure, 2.0), slopes_of) == []
    assert bent_decays(["bare", "drape"], figures_of(deep, 1.0), slopes_of) == []
    assert bent_decays(["bare", "drape"], figures_of(unsure, 1.0), slopes_of) != []
