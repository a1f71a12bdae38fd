"""The report of a sound system: from files to tables, figures and the object for other programs."""

from __future__ import annotations

import json
from dataclasses import replace
from io import StringIO

import numpy as np
import pytest
from matplotlib.collections import PolyCollection
from rich.console import Console
from venues import rectangle_area, shoebox, write_venue

import roomsim
from roomsim.cli.application import execute
from roomsim.loudspeakers.layout import layout_of
from roomsim.physics.levels import level
from roomsim.physics.noise import named_curve
from roomsim.report.system_figures import bass_figure, level_figure
from roomsim.report.system_object import angle_text, system_object
from roomsim.report.system_tables import system_table
from roomsim.sound_system.energy_deposition import PARTS
from roomsim.sound_system.fills_and_delays import fill_advice
from roomsim.venue.reading import read_study

LEVELS = [70.0] * 8
SOURCES = """
[loudspeaker.line]
height = 0.25
depth = 0.4
mass = 20
maximum_level = 125
level = [70, 74, 74, 72, 68, 64, 60, 56]
directivity = { kind = "line_element", height = 0.24, coverage = 100 }
source = "invented for tests"

[loudspeaker.bass]
height = 0.5
depth = 0.8
level = [80, 70, 50, 40, 30, 20, 10, 0]
level_at_31 = 78
directivity = { kind = "omnidirectional" }
source = "invented for tests"

[[hang]]
name = "main"
loudspeaker = "line"
top = [2.0, 8.0, 6.0]
count = 3
splay = [3, 5]
frame_mass = 10
points = 2

[[sub_stack]]
name = "subs"
loudspeaker = "bass"
position = [2.0, 6.0, 0.0]
floor = 0.0
arrangement = { kind = "stack", count = 3, reversed = [2] }
"""


@pytest.fixture(scope="module")
def study_path(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hall")
    sources = [
        {
            "name": "fill",
            "role": "fill",
            "position": [3.0, 8.0, 1.0],
            "level": [60.0] * 8,
            "signal": "programme",
        },
        {"name": "delay", "role": "delay", "position": [15.0, 8.0, 4.0], "level": LEVELS, "delay": 7.5},
        {"name": "amp", "role": "noise", "position": [1.0, 9.0, 1.0], "level": LEVELS},
    ]
    areas = [
        rectangle_area("seats", (5.0, 3.0, 25.0, 13.0), (10, 6)),
        rectangle_area("mixer", (26.0, 7.5, 27.0, 8.5), (1, 1)),
    ]
    changes = [
        {"name": "with delay", "switch_on": ["delay"], "roof_points": 1, "weight": 20, "point_load": 20}
    ]
    path = write_venue(
        folder,
        shoebox((30.0, 16.0, 8.0)),
        audience=areas,
        absorption=0.2,
        sources=sources,
        elements={"system_change": changes},
        noise=40.0,
    )
    text = (folder / "sources.toml").read_text()
    (folder / "sources.toml").write_text(text + SOURCES)
    return path


@pytest.fixture(scope="module")
def report(study_path):
    return roomsim.system_report(study_path, "with delay")


def test_what_plays_and_what_counts(report):
    names = [report.scene.sources.names[i] for i in report.sources_on]
    assert names == ["fill", "delay", "main", "subs"]  # no noise source
    bare = roomsim.system_report(report.study.folder / "study.toml", "bare")
    assert [bare.scene.sources.names[i] for i in bare.sources_on] == ["fill", "main", "subs"]
    assert report.listening_positions == [("mixer", 60)]


@pytest.mark.parametrize("rating", [25, 30, 35, 60, 70])
def test_noise_by_the_name_of_a_curve_is_printed_as_that_curve(report, rating):
    scene = replace(report.scene, noise=np.tile(named_curve(f"NR {rating}"), (len(report.scene.noise), 1)))
    console = Console(file=StringIO(), width=400)
    console.print(system_table(replace(report, scene=scene)))
    assert f"The noise is NR {rating}." in console.file.getvalue()


def test_shares_sum_to_one(report):
    assert np.abs(report.deposition.share.sum(axis=1) - 1.0).max() < 1e-12  # rounding
    assert np.abs(report.deposition.whole_system.sum(axis=0) - 1.0).max() < 1e-12
    # Bass of stacks on the floor and a hang that looks down differ in what they send to the roof.
    rows = dict(zip([report.scene.sources.names[i] for i in report.sources_on], report.deposition.share))
    assert rows["main"][PARTS.index("roof"), 6] < rows["subs"][PARTS.index("roof"), 0]


def test_delays_follow_from_the_paths(report):
    """Mains at (2, 8, 5.6) and a delay at (15, 8, 4): at a seat behind it the difference is nearly 13 m."""
    found = {report.scene.sources.names[p.source]: p for p in report.proposals}
    c = report.scene.speed_of_sound
    delay = found["delay"]
    seat = report.scene.receivers.position[delay.seat]
    layout = report.scene.sources.elements[report.scene.sources.names.index("main")].position
    nearest = np.linalg.norm(seat - layout, axis=1).min()
    needed = 1000 * (nearest - np.linalg.norm(seat - [15.0, 8.0, 4.0])) / c + 10.0
    assert delay.proposed == pytest.approx(needed, abs=0.1 + 1e-9)  # upwards to the tenth
    assert delay.delay == 7.5
    assert delay.lag[0] >= 10.0 - 1e-9
    assert (report.order_proposed.verdict == 0).mean() > (report.order.verdict == 0).mean()


def test_levels_are_those_of_the_boxes(report):
    """Far from a single source: level at 1 m less 20 lg r, without air at 125 Hz (below 0.01 dB on 30 m)."""
    i = report.scene.sources.names.index("fill")
    distance = np.linalg.norm(report.scene.receivers.position - [3.0, 8.0, 1.0], axis=1)
    np.testing.assert_allclose(level(report.direct.energy[i, :, 1]), 60.0 - 20 * np.log10(distance), atol=0.02)


def test_headroom_and_loads(report):
    head = {h.name: h for h in report.headroom}
    # One box: octaves of 70 74 74 72 68 64 60 56 dB add up to 79.36; 12 dB of crest; 125 dB is its limit.
    assert head["main"].level == pytest.approx(79.36, abs=0.02)
    assert head["main"].headroom == pytest.approx(125.0 - 79.36 - 12.0, abs=0.02)
    assert head["subs"].headroom is None
    loads = {load.name: load for load in report.loads}
    assert (loads["main"].mass, loads["main"].heaviest) == (70.0, 35.0)
    assert loads["with delay"].heaviest == 20


def test_bass_behind_a_reversed_box(report):
    """2 + 1 equal boxes: 2 - 1 = 1 behind (computed table of gradient stacks): 5 to 9.5 dB of rejection."""
    rejection = report.bass.rejection["subs"]
    assert ((rejection > 4.0) & (rejection < 11.0)).all()
    assert report.bass.labels == ("31.5", "63", "125")
    assert np.isnan(report.bass.stage_below_seats).all()  # no group is called stage here


def test_object_and_table(report):
    found = json.loads(json.dumps(system_object(report), allow_nan=True))
    channels = {row["channel"]: row for row in found["channels"]}
    assert channels["delay"]["proposed_delay_ms"] > 30 and channels["delay"]["delay_ms"] == 7.5
    assert channels["subs, box 2"]["polarity"] == "inverted"
    assert found["levels"]["listening_positions"]["mixer"]["a_level"] > 50
    console = Console(width=140, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    console.print(system_table(report))
    text = console.export_text()
    for words in (
        "Where the energy goes",
        "Channels of the loudspeaker processor",
        "competent person must approve",
        "Rigging loads",
    ):
        assert words in text
    assert "local rules apply" in " ".join(text.split())


def test_figures_are_written(report, tmp_path):
    paths = roomsim.system_pictures(report, tmp_path, formats=("png",))
    names = {path.stem for path in paths}
    assert {
        "energy_deposition",
        "side_view_1",
        "level_maps",
        "bass_maps",
        "arrival_order",
        "directivity_1",
    } <= names
    assert all(path.stat().st_size > 20_000 for path in paths)


def test_seats_above_each_other_have_a_page_each(report, tmp_path):
    # The mixer's seat lifted over the seats: a second tier.
    tiers = (replace(report.plan.tiers[0], areas=(0,)), replace(report.plan.tiers[0], areas=(1,)))
    lifted = replace(report, plan=replace(report.plan, tiers=tiers))
    names = {path.stem for path in roomsim.system_pictures(lifted, tmp_path, formats=("svg",))}
    for name in ("level_maps", "bass_maps", "arrival_order"):
        assert {f"{name}_1", f"{name}_2"} <= names and name not in names
    for draw in (level_figure, bass_figure):
        for tier, (n_seats, said) in enumerate(((60, "seats (60 seats, "), (1, "mixer (1 seat, "))):
            figure = draw(lifted, tier)
            assert f"Plan {tier + 1} of 2: {said}ears at 1.2 m)" in "".join(
                t.get_text() for t in figure.texts
            )
            maps = [c for axes in figure.axes for c in axes.collections if isinstance(c, PolyCollection)]
            assert [len(shade.get_paths()) for shade in maps] == [n_seats] * len(maps)
            assert len(maps) == (8 if draw is level_figure else 3)
    # Colours stay those against the median of all seats.
    (shade,) = level_figure(lifted, 1).axes[3].collections[:1]
    expected = report.direct_level[60, 3] - np.median(report.direct_level[:, 3])
    assert np.asarray(shade.get_array()) == pytest.approx([expected])


@pytest.mark.parametrize(
    ("tilt", "words"),
    [
        (-7.5, "top box 7.5° down, splays 3 5°"),
        (0.0, "top box level, splays 3 5°"),
        (2.0, "top box 2° up, splays 3 5°"),
    ],
)
def test_tilt_is_said_in_words(report, tilt, words):
    hang = report.study.sources.hang[0].model_copy(update={"tilt": tilt})
    assert angle_text(hang) == words
    single = hang.model_copy(update={"count": 1, "splay": ()})
    assert "splay" not in angle_text(single)


def test_negative_tilt_looks_down(report):
    hang = report.study.sources.hang[0].model_copy(update={"tilt": -30.0})
    layout = layout_of(hang, report.study.sources.loudspeaker, 343.0)
    # Ahead of the top box, sin(-30 degrees) = -1/2.
    assert layout.frames[0, 1, 2] == pytest.approx(-0.5)


def test_one_and_equal_ends_are_said_once(report):
    one = replace(
        report.proposals[0], served=report.proposals[0].served[:1], lag=(10.2, 9.8), louder=(-0.2, 0.3)
    )
    console = Console(width=200, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    console.print(system_table(replace(report, proposals=[one])))
    text = " ".join(console.export_text().split())
    assert ": 1 seat served. At (" in text
    assert "it follows the mains by 10 ms, at a level of +0 dB relative to them" in text


def test_fill_that_faces_away_from_the_seats_is_given_no_spacing(report):
    sources = replace(report.scene.sources, axes=-report.scene.sources.axes)
    (fill,) = fill_advice(report.study, replace(report.scene, sources=sources), report.direct, report.on)
    assert fill.row_distance is None and fill.largest_spacing is None
    # Control: as it stands it faces the first row, 2 m and half a seat ahead.
    assert report.fills[0].row_distance == pytest.approx(3.0)
    console = Console(file=StringIO(), width=400)
    console.print(system_table(replace(report, fills=[fill])))
    assert "fill: a single box; there are no seats ahead." in console.file.getvalue()
    assert "nan" not in console.file.getvalue()


def test_command(study_path, tmp_path, capsys):
    assert execute(["system", str(study_path), "--json", "--no-pictures", "--quiet"]) == 0
    given = json.loads(capsys.readouterr().out)
    assert given["command"] == "system" and given["system"]["scenario"] == "occupied"
    assert execute(["system", str(study_path), "--scenario", "withdelay", "--no-pictures"]) == 3
    assert "Did you mean 'with delay'?" in capsys.readouterr().err
    assert execute(["system", str(study_path), "--splays", "1,x", "--no-pictures"]) == 2


def test_aim_keeps_energy_off_the_roof(study_path):
    report = roomsim.system_report(study_path, "bare", aim_hangs=True, splays=(0, 2, 4, 6, 8), spread=6.0)
    found = report.aims["main"]
    assert set(found.hang.splay) <= {0.0, 2.0, 4.0, 6.0, 8.0}
    assert set(report.aims) == {"main"}
    excess = [np.maximum(e.spread[3:7] - 6.0, 0.0).mean() for e in (found.before, found.after)]
    assert excess[1] <= excess[0]
    assert read_study(study_path).sources.hang[0].splay == (3.0, 5.0)  # nothing is written
