"""Levels and arrivals of a sound system against closed forms worked out here: air, bass on stage, two mains."""

from __future__ import annotations

import numpy as np
import pytest
from tables import printed_air_attenuation
from venues import Shell, prism, rectangle_area, write_venue

import roomsim
from roomsim.physics.levels import level as level_of
from roomsim.sound_system.bass import stage_points

LENGTH, WIDTH, STAGE, FLOOR = 80.0, 16.0, 8.0, 2.0
"""m; the stage is the end of the floor up to x = 8 m, and the floor lies 2 m up, so that a height is not its own
mirror image."""
BOXES = """
[loudspeaker.point]
height = 0.02
depth = 0.4
level = [80, 80, 80, 80, 80, 80, 80, 80]
level_at_31 = 80
directivity = { kind = "omnidirectional" }
source = "invented for tests"

[[hang]]
name = "main"
loudspeaker = "point"
top = [9.0, 8.0, 6.01]
count = 1

[[hang]]
name = "far main"
loudspeaker = "point"
top = [60.0, 8.0, 6.01]
count = 1
gain = 6

[[sub_stack]]
name = "subs"
loudspeaker = "point"
position = [9.0, 8.0, 2.0]
floor = 2.0
arrangement = { kind = "gradient_pair", spacing = 0.8 }
"""
SPACING = 0.8
"""m, of the pair."""
MAINS_FIRST, ECHO = 0, 2
"""As `ArrivalOrder.verdict` counts."""


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    corners = [(0.0, 0.0), (STAGE, 0.0), (LENGTH, 0.0), (LENGTH, WIDTH), (STAGE, WIDTH), (0.0, WIDTH)]
    shell = prism(corners, 8.0, parts={"stage": (0, 1, 4, 5), "hall": (1, 2, 3, 4)})
    shell = Shell(shell.vertices + np.array([0.0, 0.0, FLOOR]), shell.polygons)
    folder = tmp_path_factory.mktemp("hall")
    path = write_venue(
        folder,
        shell,
        audience=[rectangle_area("seats", (10.0, 6.0, 76.0, 10.0), (22, 2), floor=FLOOR)],
        absorption=0.3,
        air={"temperature": 20.0, "humidity": 70.0},
        sources=[{"name": "fill", "role": "fill", "position": [12.0, 8.0, 3.0], "level": [60.0] * 8}],
    )
    for name, text in (("sources.toml", BOXES), ("venue.toml", '\n[parts]\nstage = ["floor_stage"]\n')):
        (folder / name).write_text((folder / name).read_text("utf-8") + text, "utf-8")
    return roomsim.system_report(path)


ATTENUATION = printed_air_attenuation(20, 70)


@pytest.mark.parametrize(
    ("name", "level", "place"), [("fill", 60.0, (12.0, 8.0, 3.0)), ("main", 80.0, (9.0, 8.0, 6.0))]
)
def test_direct_sound_loses_in_the_air_what_the_standard_prints(report, name, level, place):
    """L - 20 lg r - a r. The table has two or three digits: half a unit of the last of 117 dB/km is 0.03 dB on 70 m.

    For the hang the octave is a mean over lines of one level, so that the same holds.
    """
    i = report.scene.sources.names.index(name)
    r = np.linalg.norm(report.scene.receivers.position - place, axis=1)[:, None]
    expected = level - 20.0 * np.log10(r) - ATTENUATION * r
    np.testing.assert_allclose(level_of(report.direct.energy)[i], expected, atol=0.05)
    # Control: without the air the 8 kHz octave would be more than 4 dB louder at the last seats.
    assert (ATTENUATION * r).max() > 4.0


def octave_mean(points: np.ndarray, middle: float, speed: float) -> np.ndarray:
    """Level of the pair at points: two opposed points and a rigid floor through both, energy mean over the octave.

    p = exp(-jkr) / r of the front, minus that of the rear one that is `SPACING` behind and delayed by the time over it;
    all doubled by the floor, which the points lie 1 cm above.
    """
    front, rear = (np.linalg.norm(points - [x, 8.0, FLOOR], axis=1)[:, None] for x in (9.0, 9.0 - SPACING))
    k = 2.0 * np.pi * middle * 2.0 ** np.linspace(-0.5, 0.5, 201) / speed
    p = 2.0 * (np.exp(-1j * k * front) / front - np.exp(-1j * k * (rear + SPACING)) / rear)
    return 80.0 + 10.0 * np.log10((np.abs(p) ** 2).mean(axis=1))


@pytest.mark.parametrize("part", ["seats", "stage"])
def test_bass_of_a_gradient_pair_in_front_and_behind(report, part):
    """In front the pair adds up, on stage it cancels. Octaves are means over few lines: within 0.3 dB here."""
    points = report.scene.receivers.position if part == "seats" else stage_points(report.study)[0]
    found = report.bass.seats if part == "seats" else report.bass.stage
    assert len(points) > 40
    speed = report.scene.speed_of_sound
    expected = np.stack([octave_mean(points, middle, speed) for middle in (31.5, 63.0, 125.0)], axis=1)
    np.testing.assert_allclose(found, expected, atol=0.3)


def test_stage_against_seats_has_its_sign(report):
    """Mean energy on stage over that at the seats, from the same two points: the sign differs from band to band."""
    speed = report.scene.speed_of_sound
    parts = (stage_points(report.study)[0], report.scene.receivers.position)
    for band, middle in enumerate((31.5, 63.0, 125.0)):
        on_stage, at_seats = (np.mean(10.0 ** (octave_mean(points, middle, speed) / 10.0)) for points in parts)
        expected = 10.0 * np.log10(on_stage / at_seats)
        assert report.bass.stage_below_seats[band] == pytest.approx(expected, abs=0.3)
        if middle != 63.0:
            assert abs(expected) > 0.6  # else the sign would not show


def test_second_main_that_comes_late_is_an_echo(report):
    """Mains at x = 9 and 60 m, the second 6 dB up, on a line of seats between them. What may follow the first and how
    loud: 10 dB louder up to 30 ms (Haas, Acustica 1 (1951), 49, from memory), as loud at 50 ms, 10 dB weaker at 80 ms
    (common practice, no source). Distances and levels by hand, x of the seat, ms and dB of the second after the first:

    23.5: 14.6 and 36.5 m, 64 ms, -1.9 dB: above the -4.5 dB allowed at 64 ms, an echo, although both are mains.
    17.5: 8.7 and 42.5 m, 98 ms, -7.8 dB: an echo.
    35.5: 26.5 and 24.5 m, 6 ms: one image between both.
    47.5: the second main comes first; the other follows by 75 ms, 15.6 dB weaker: not heard.
    """
    names = report.scene.sources.names
    seats = report.scene.receivers.position
    order = report.order
    for x, first, verdict in (
        (23.5, "main", ECHO), (17.5, "main", ECHO), (35.5, "far main", MAINS_FIRST), (47.5, "far main", MAINS_FIRST),
    ):  # fmt: skip
        at = np.isclose(seats[:, 0], x)
        assert at.sum() == 2
        assert {names[i] for i in order.first[at]} == {first}
        assert set(order.verdict[at].tolist()) == {verdict}, x
