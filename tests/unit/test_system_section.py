"""The section through a hang, which seats a hang serves, and where the mains need support: worked by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from systems import hang
from tables import printed_air_attenuation
from venues import Shell, rectangle_area, shoebox, with_screen, write_venue

import roomsim
from roomsim.sound_system.direct_sound import DirectSound
from roomsim.sound_system.energy_deposition import BATCHES, PARTS, RAYS
from roomsim.sound_system.fills_and_delays import delay_advice
from roomsim.sound_system.hang_aiming import seats_of_hang
from roomsim.sound_system.hang_section import hang_section

BOXES = """
[loudspeaker.point]
height = 0.02
depth = 0.4
level = [80, 80, 80, 80, 80, 80, 80, 80]
level_at_31 = 80
directivity = { kind = "omnidirectional" }
source = "invented for tests"

[loudspeaker.tall]
height = 0.5
depth = 0.8
level = [80, 80, 80, 80, 80, 80, 80, 80]
level_at_31 = 80
directivity = { kind = "omnidirectional" }
source = "invented for tests"

[[hang]]
name = "along"
loudspeaker = "point"
top = [2.0, 8.0, 8.01]
count = 1

[[hang]]
name = "across"
loudspeaker = "tall"
top = [10.0, 3.0, 9.0]
azimuth = 90
count = 2
splay = [30]

[loudspeaker.bass]
height = 0.5
depth = 0.8
level = [80, 70, 50, 40, 30, 20, 10, 0]
directivity = { kind = "omnidirectional" }
source = "invented for tests"

[[sub_stack]]
name = "subs"
loudspeaker = "bass"
position = [2.0, 8.0, 2.0]
floor = 2.0
arrangement = { kind = "stack", count = 2 }

[[sub_stack]]
name = "row"
role = "fill"
loudspeaker = "point"
position = [4.0, 8.0, 2.0]
azimuth = 180
arrangement = { kind = "row", count = 4, spacing = 1.2 }

[[sub_stack]]
name = "row ahead"
role = "fill"
loudspeaker = "point"
position = [2.5, 8.0, 2.0]
arrangement = { kind = "row", count = 4, spacing = 0.8 }

[[hang]]
name = "beside"
loudspeaker = "point"
top = [2.0, 15.5, 8.01]
count = 1
"""
FLOOR = 2.0
"""m, height of the floor."""


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """A hall of 40 by 16 by 8 m whose floor lies 2 m up, with two areas along its axis, a board that hangs across it
    at x = 30 m, and three fills of 80 and 100 degrees at 2 and 4 kHz."""
    folder = tmp_path_factory.mktemp("hall")
    hall = shoebox((40.0, 16.0, 8.0))
    hall = Shell(hall.vertices + np.array([0.0, 0.0, FLOOR]), hall.polygons)
    board = [(30.0, y, FLOOR + z) for y, z in ((6.0, 3.9), (10.0, 3.9), (10.0, 5.95), (6.0, 5.95))]
    hall = with_screen(hall, "board", board)
    fill = {
        "role": "fill", "level": [60.0] * 8,
        "directivity": {"kind": "cosine_power", "coverage": [360, 300, 200, 150, 120, 80, 100, 60]},
    }  # fmt: skip
    path = write_venue(
        folder,
        hall,
        audience=[
            rectangle_area("front", (5.0, 3.0, 15.0, 13.0), (5, 5), floor=FLOOR),
            rectangle_area("aside", (17.0, 1.0, 20.0, 4.0), (2, 2), floor=FLOOR),
            rectangle_area("rear", (22.0, 3.0, 38.0, 13.0), (8, 5), floor=FLOOR),
        ],
        air={"temperature": 20.0, "humidity": 70.0},
        sources=[
            {"name": "left", "position": [3.0, 10.5, 3.2], **fill},
            {"name": "right", "position": [3.0, 5.5, 3.2], **fill},
            {"name": "middle", "position": [3.0, 7.0, 3.2], **fill},
        ],
    )
    (folder / "sources.toml").write_text((folder / "sources.toml").read_text("utf-8") + BOXES, "utf-8")
    return roomsim.system_report(path)


def section_of(report, name):
    """The section with heights above the floor."""
    (found,) = [each for each in report.study.sources.hang if each.name == name]
    section = hang_section(report.study, report.scene, found)
    up = np.array([0.0, FLOOR])
    parts = {part: getattr(section, part) - up for part in ("lines", "boxes", "axes", "ears")}
    return replace(section, **parts)


def test_section_along_the_hall(report):
    section = section_of(report, "along")
    # The hall seen from the hang at x = 2 m: 2 m behind to 38 m ahead, 0 to 8 m high. Its outline is 96 m long, and the
    # board is cut over 2.05 m.
    points = section.lines.reshape(-1, 2)
    assert points.min(axis=0) == pytest.approx([-2.0, 0.0], abs=1e-9)
    assert points.max(axis=0) == pytest.approx([38.0, 8.0], abs=1e-9)
    assert np.linalg.norm(np.diff(section.lines, axis=1), axis=2).sum() == pytest.approx(98.05)
    # Top front, bottom front, bottom rear, top rear of the box of 0.02 by 0.4 m.
    corners = [[0.0, 6.01], [0.0, 5.99], [-0.4, 5.99], [-0.4, 6.01]]
    np.testing.assert_allclose(section.boxes, [corners], atol=1e-12)
    # The axis is level, passes 5 cm over the board and ends at the wall.
    np.testing.assert_allclose(section.axes, [[[0.0, 6.0], [38.0, 6.0]]], atol=1e-9)


def test_ears_of_a_section_are_those_of_the_areas_that_it_crosses(report):
    ears = section_of(report, "along").ears
    gaps = np.flatnonzero(np.isnan(ears[:, 0]))
    # 5 to 15 m and 22 to 38 m, 2 m less from the hang, every 0.25 m; the ends of an area may fall on either side.
    assert len(gaps) == 2 and gaps[1] == len(ears) - 1
    front, rear = ears[: gaps[0]], ears[gaps[0] + 1 : gaps[1]]
    for part, low, high in ((front, 3.0, 13.0), (rear, 20.0, 36.0)):
        assert part[0, 0] == pytest.approx(low, abs=0.26) and part[-1, 0] == pytest.approx(high, abs=0.26)
        np.testing.assert_allclose(np.diff(part[:, 0]), 0.25, atol=1e-9)
        np.testing.assert_allclose(part[:, 1], 1.2, atol=1e-9)
    # Beside all areas there are none.
    beside = section_of(report, "beside")
    assert beside.ears.shape == (0, 2) and beside.level.shape == (0, 8)


def test_level_of_a_section_falls_with_distance_and_in_the_air(report):
    """80 - 20 lg r - a r, with a as printed in table 2 of ISO 9613-2 for 20 degC and 70 %."""
    section = section_of(report, "along")
    known = np.isfinite(section.ears[:, 0])
    r = np.hypot(section.ears[known, 0], section.ears[known, 1] - 6.0)[:, None]
    expected = 80.0 - 20.0 * np.log10(r) - printed_air_attenuation(20, 70) * r
    np.testing.assert_allclose(section.level[known], expected, atol=0.05)
    assert np.isnan(section.level[~known]).all()


def test_section_across_the_hall_with_a_box_turned_down(report):
    section = section_of(report, "across")
    points = section.lines.reshape(-1, 2)
    # Looking along y from y = 3 m in a hall 16 m wide.
    assert points.min(axis=0) == pytest.approx([-3.0, 0.0], abs=1e-9)
    assert points.max(axis=0) == pytest.approx([13.0, 8.0], abs=1e-9)
    # The first box looks level: its front is from 7 to 6.5 m. The second hangs from there and looks 30 degrees down:
    # its front of 0.5 m goes down and back, its rear is 0.8 m behind and above.
    root = np.sqrt(3.0) / 2.0
    np.testing.assert_allclose(section.axes[0], [[0.0, 6.75], [13.0, 6.75]], atol=1e-9)
    x, z = -0.125, 6.5 - 0.25 * root
    np.testing.assert_allclose(section.axes[1], [[x, z], [x + z * np.sqrt(3.0), 0.0]], atol=1e-9)
    top, down, back = np.array([0.0, 6.5]), np.array([-0.25, -0.5 * root]), np.array([-0.8 * root, 0.4])
    np.testing.assert_allclose(section.boxes[1], [top, top + down, top + down + back, top + back], atol=1e-9)


def solid_angle(x0, y0, x1, y1, height):
    """Of a rectangle seen from a height over the origin of its plane: four corners' arctan(x y / (h r))."""

    def corner(x, y):
        return np.arctan2(x * y, height * np.sqrt(x * x + y * y + height * height))

    return corner(x1, y1) - corner(x0, y1) - corner(x1, y0) + corner(x0, y0)


def test_energy_on_the_audience_is_its_solid_angle_and_the_error_that_of_as_many_rays(report):
    """A single omnidirectional box 6 m above a floor that lies 2 m up, of three areas seen from x = 2, y = 8 m."""
    areas = [(3.0, -5.0, 13.0, 5.0), (15.0, -7.0, 18.0, -4.0), (20.0, -5.0, 36.0, 5.0)]
    exact = sum(solid_angle(*area, 6.0) for area in areas) / (4.0 * np.pi)
    row = [report.scene.sources.names[i] for i in report.sources_on].index("along")
    part = PARTS.index("audience")
    share, error = report.deposition.share[row, part], report.deposition.standard_error[row, part]
    by_chance = np.sqrt(exact * (1.0 - exact) / (BATCHES * RAYS))
    np.testing.assert_allclose(
        share, exact, rtol=0.0, atol=5.0 * by_chance
    )  # a false alarm in 2 million seeds
    # Of 16 batches the error itself is known to a sixth; evenly spread rays have less than chance.
    assert (error < 1.6 * by_chance).all() and (error > 0.0).all()


def test_fills_have_the_coverage_of_their_octaves_and_the_nearest_neighbour(report):
    """80 and 100 degrees: 90 on average. The first row is at 6 m, 3 m ahead: 2 x 3 x tan(45) = 6 m."""
    found = {advice.name: advice for advice in report.fills}
    assert set(found) == {"left", "middle", "right", "row", "row ahead"}
    for name in ("left", "middle", "right"):
        advice = found[name]
        # The pattern is at half the pressure there, -6.02 dB; the edge is at -6 dB, a little nearer to the axis.
        assert advice.coverage == pytest.approx(90.0, abs=0.2)
        assert advice.row_distance == pytest.approx(3.0)
        assert advice.largest_spacing == pytest.approx(6.0, abs=0.02)
    assert [found[name].spacing for name in ("left", "middle", "right")] == pytest.approx([3.5, 1.5, 1.5])


def test_a_row_of_boxes_has_its_own_spacing_and_its_edges_meet_nowhere(report):
    """Omnidirectional boxes count as 170 degrees wide: 2 x 3.5 x tan(85). One row has its back to the seats."""
    found = {advice.name: advice for advice in report.fills}
    ahead, back = found["row ahead"], found["row"]
    assert (ahead.coverage, ahead.spacing) == (360.0, pytest.approx(0.8))
    assert ahead.row_distance == pytest.approx(3.5)
    assert ahead.largest_spacing == pytest.approx(7.0 * 11.43, abs=0.02)  # tan(85 degrees) = 11.430
    assert back.spacing == pytest.approx(1.2) and back.row_distance is None


def test_bass_of_boxes_without_a_level_at_31_hz_begins_at_63_hz(report):
    assert report.bass.labels == ("63", "125")
    assert report.bass.seats.shape == (len(report.scene.receivers.position), 2)
    # Two boxes on the floor, which doubles the pressure, nearly in phase at 63 Hz: 12 dB over one of 80 dB at 1 m.
    r = np.linalg.norm(report.scene.receivers.position - [2.0, 8.0, FLOOR], axis=1)
    far = r > 20.0
    np.testing.assert_allclose(report.bass.seats[far, 0], 80.0 + 12.04 - 20.0 * np.log10(r[far]), atol=1.0)


# --- seats of a hang ------------------------------------------------------------------------------------


def seats_at(hangs, seats):
    study = SimpleNamespace(sources=SimpleNamespace(hang=hangs))
    return seats_of_hang(hangs[0], study, np.array(seats, dtype=float))


def test_a_hang_serves_the_seats_nearest_to_it():
    left, right = hang(name="left", top=(0.0, 5.0, 8.0)), hang(name="right", top=(0.0, -5.0, 8.0))
    delay = hang(name="delay", top=(20.0, 5.0, 6.0), role="delay")
    # In front, half-way between both, nearer to the other, and near to a hang of another role, which takes nothing.
    seats = [(10.0, 5.0, 1.2), (20.0, 0.0, 1.2), (20.0, -1.0, 1.2), (21.0, 5.0, 1.2)]
    assert seats_at([left, right, delay], seats).tolist() == [list(seats[i]) for i in (0, 1, 3)]


@pytest.mark.parametrize("azimuth", [0.0, 90.0, 170.0, -170.0])
def test_a_hang_serves_seats_within_35_degrees_of_its_axis(azimuth):
    angles = np.radians(azimuth + np.array([0.0, 34.0, -34.0, 36.0, -36.0, 180.0]))
    seats = [
        (3.0 + r * np.cos(a), 4.0 + r * np.sin(a), 1.2) for r, a in zip((10, 11, 12, 13, 14, 15), angles)
    ]
    found = seats_at([hang(top=(3.0, 4.0, 8.0), azimuth=azimuth)], seats)
    np.testing.assert_allclose(found, seats[:3])


def test_all_seats_where_none_is_ahead_and_of_many_an_even_choice():
    behind = [(-10.0, 0.0, 1.2), (-5.0, 1.0, 1.2)]
    assert seats_at([hang(top=(0.0, 0.0, 8.0))], behind).tolist() == [list(behind[1]), list(behind[0])]
    # 127 seats at 1 to 127 m, given in any order: every second of them, the nearest and the farthest included.
    order = np.random.default_rng(1).permutation(127) + 1.0
    found = seats_at([hang(top=(0.0, 0.0, 8.0))], [(x, 0.0, 8.0) for x in order])
    assert found[:, 0].tolist() == list(range(1, 128, 2))


# --- seats that need support ----------------------------------------------------------------------------


def mains_at(levels, distances, sti, target=0.5, role="main"):
    """Advice for seats in a line before one main."""
    level = np.array([levels], dtype=float)
    energy = np.zeros((*level.shape, 8))
    energy[..., 3:7] = 10.0 ** (level[..., None] / 10.0) / 4.0
    direct = DirectSound((role,), np.zeros(level.shape), energy, np.zeros(1), np.ones(level.shape, bool))
    seats = np.array([[d, 0.0, 0.0] for d in distances], dtype=float)
    scene = SimpleNamespace(
        receivers=SimpleNamespace(position=seats), sources=SimpleNamespace(position=np.zeros((1, 3)))
    )
    return delay_advice(scene, direct, np.ones(1, bool), np.array(sti, dtype=float), target)


def test_seats_more_than_6_db_below_the_median_or_below_the_target_need_support():
    # Median level 70 dB and median distance 30 m: 63.9 dB is too low, 64.1 dB is not; an STI of 0.49 is too low.
    levels, distances = [63.9, 75, 70, 64.1, 63.9, 71, 72], [10, 20, 30, 40, 50, 35, 25]
    found = mains_at(levels, distances, [0.5, 0.6, 0.49, 0.6, 0.6, 0.6, 0.6])
    assert found.near.tolist() == [True, False, False, False, False, False, False]
    assert found.far.tolist() == [False, False, True, False, True, False, False]
    assert found.first_far == pytest.approx(30.0)


def test_no_advice_without_mains_and_no_distance_without_far_seats():
    assert mains_at([70.0], [10.0], [0.6], role="fill") is None
    found = mains_at([70, 70, 70], [10, 20, 30], [0.4, 0.6, 0.6])
    assert found.near.tolist() == [True, False, False] and found.first_far is None
