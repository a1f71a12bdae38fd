"""The estimate at the seats before any ray is traced, and the directivity of a box, against closed forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from venues import rectangle_area, shoebox, write_venue

import roomsim
from roomsim.sound_system.directivity import AZIMUTH, ELEVATION, box_directivity
from roomsim.venue.loudspeakers import FirstOrder

SIZE, ABSORPTION = (20.0, 14.0, 8.0), 0.2
PLACES = {"left": (2.0, 4.0, 3.0), "right": (2.0, 11.0, 2.0)}
LEVELS = {"left": 70.0, "right": 76.0}


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """A hall without people, two omnidirectional sources, one of them a main."""
    path = write_venue(
        tmp_path_factory.mktemp("hall"),
        shoebox(SIZE),
        audience=[rectangle_area("seats", (5.0, 2.0, 19.0, 12.0), (7, 5))],
        absorption=ABSORPTION,
        crowd=False,
        noise=0.0,
        sources=[
            {"name": name, "position": PLACES[name], "level": [LEVELS[name]] * 8, "role": role}
            for name, role in (("left", "main"), ("right", "fill"))
        ],
        scenarios=[{"name": "bare"}],
    )
    return roomsim.system_report(path)


def test_level_is_direct_sound_and_a_diffuse_field_that_falls_with_distance(report):
    """10 lg(100 / r^2 + 31200 T / V exp(-0.04 r / T)) re the direct sound at 10 m, T by Eyring: Barron and Lee, J.
    Acoust. Soc. Am. 84 (1988) 618 (from memory).

    At 125 Hz, where the air takes next to nothing; 31200 and 0.04 are rounded (31 184 and 0.0403 at 343 m/s)."""
    x, y, z = SIZE
    volume, area = x * y * z, 2.0 * (x * y + y * z + z * x)
    time = 24.0 * np.log(10.0) * volume / (343.2 * -area * np.log(1.0 - ABSORPTION))
    seats = report.scene.receivers.position
    energy = 0.0
    for name, place in PLACES.items():
        r = np.linalg.norm(seats - place, axis=1)
        at_10_m = 10.0 ** ((LEVELS[name] - 20.0) / 10.0)
        energy = energy + at_10_m * (100.0 / r**2 + 31200.0 * time / volume * np.exp(-0.04 * r / time))
    assert report.estimate.level[:, 1] == pytest.approx(10.0 * np.log10(energy), abs=0.1)
    # Eight bands of about the same level: the A-weighted sum of 0 dB in each from 63 Hz to 8 kHz is 7.0 dB(A).
    weights = np.array([-26.2, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1])  # IEC 61672-1, table of A-weighting
    weighted = 10.0 * np.log10((10.0 ** ((report.estimate.level + weights) / 10.0)).sum(axis=1))
    assert report.estimate.a_level == pytest.approx(weighted, abs=0.05)


def test_index_of_the_mains_alone_is_that_without_the_other_source(report):
    """Nearer to the main it is better by more than one JND; the fill, far from there, only adds reverberant sound."""
    distance = np.linalg.norm(report.scene.receivers.position - PLACES["left"], axis=1)
    near, far = distance.argmin(), distance.argmax()
    assert report.estimate.mains_sti[near] > report.estimate.mains_sti[far] + 0.03
    to_right = np.linalg.norm(report.scene.receivers.position - PLACES["right"], axis=1)
    beside = to_right.argmin()
    assert report.estimate.sti[beside] > report.estimate.mains_sti[beside]
    assert report.estimate.sti[near] < report.estimate.mains_sti[near]


def test_sphere_of_a_cardioid():
    """20 lg((1 + cos t) / 2) at an angle t off the axis, no less than -80 dB; -6 dB are 10^(-0.3) = 0.5012."""
    kind = FirstOrder(kind="first_order", omnidirectional_part=0.5)
    found = box_directivity(kind, "box", 343.2, Path("."))
    e, a = np.radians(ELEVATION)[:, None], np.radians(AZIMUTH)
    expected = 20.0 * np.log10(np.maximum(0.5 * (1.0 + np.cos(e) * np.cos(a)), 1e-4))
    assert found.sphere == pytest.approx(np.repeat(expected[..., None], 8, axis=2), abs=1e-3)
    assert (ELEVATION[0], ELEVATION[-1], AZIMUTH[0], AZIMUTH[-1]) == (-90.0, 90.0, 0.0, 360.0)
    assert found.coverage == pytest.approx(
        np.full((2, 8), 2.0 * np.degrees(np.arccos(2.0 * 10.0**-0.3 - 1.0))), abs=0.01
    )
    assert found.name == "box"
