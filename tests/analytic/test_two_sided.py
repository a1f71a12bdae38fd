"""Sheets with both sides in the room: both count, in areas, absorption and the times that follow."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from venues import rectangle_area, shoebox, with_screen, write_venue

import roomsim

SIZE = (12.0, 10.0, 5.0)
SCREEN = [(6.0, 2.0, 1.0), (6.0, 8.0, 1.0), (6.0, 8.0, 4.0), (6.0, 2.0, 4.0)]
"""6 x 3 m, across the middle of the room."""
WALLS, ON_SCREEN = 0.1, 0.8


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    folder: Path = tmp_path_factory.mktemp("screen")
    names = {"wall_*": WALLS, "floor": WALLS, "ceiling": WALLS, "screen": ON_SCREEN}
    path = write_venue(
        folder,
        with_screen(shoebox(SIZE), "screen", SCREEN),
        audience=[rectangle_area("seats", (2.0, 2.0, 10.0, 8.0), (4, 2))],
        absorption=names,
        scattering=1.0,
        air={"temperature": 20.0, "humidity": 50.0},
        study={"precision": {"sti": 0.02}, "uncertainty": {"draws": 0}},
    )
    return roomsim.run(path)


def test_formulas_count_a_screen_with_both_sides(results):
    """T = 24 ln(10) 4 V / (c A) (Sabine), and -S ln(1 - A/S) for A (Eyring), with the screen's 18 m2 counted twice:
    V = 600 m3, S = 460 + 36 m2, A = 46 + 28.8 m2. At 125 Hz and 20 degC air adds less than 4 x 0.0001 x 600 = 0.3 m2.
    """
    volume, walls, screen = 600.0, 460.0, 2 * 18.0
    area = WALLS * walls + ON_SCREEN * screen
    k = 24.0 * np.log(10.0) / 343.2
    surface = walls + screen
    assert results.statistical["sabine"][0, 1] == pytest.approx(k * volume / area, rel=0.006)
    eyring = k * volume / (-surface * np.log(1.0 - area / surface))
    assert results.statistical["eyring"][0, 1] == pytest.approx(eyring, rel=0.006)
    # Control: one side makes a difference of a fifth.
    assert area / (WALLS * walls + ON_SCREEN * screen / 2) > 1.2


def test_rays_meet_a_screen_on_both_sides(results):
    """With all surfaces scattering by Lambert's law the traced time is that of a diffuse room within a tenth; with a
    screen that only absorbs on one side it would be a fifth longer. The traced level likewise."""
    traced = results.room["reverberation_time_t20"].value[0, 1]
    assert traced == pytest.approx(results.statistical["eyring"][0, 1], rel=0.1)
