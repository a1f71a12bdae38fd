"""Further figures of a diffuse room."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scenes import box_scene, omnidirectional

from roomsim.study.statistical import room_figures

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
