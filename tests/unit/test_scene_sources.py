"""Sources: axes and directivity on the sphere."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import venues

from roomsim.errors import SceneError
from roomsim.physics.radiation import gain_towards
from roomsim.scene.sources import balloon, compile_sources, source_axes
from roomsim.venue.document import Source
from roomsim.venue.loudspeakers import CosinePower, Omnidirectional, TabulatedPolar
from roomsim.venue.reading import read_study

OCTAVES = (63, 125, 250, 500, 1000, 2000, 4000, 8000)


def source(**keys: object) -> Source:
    return Source(**({"name": "s", "position": (1.0, 2.0, 3.0), "level": (90.0,) * 8} | keys))


@pytest.mark.parametrize(
    ("keys", "axis", "left"),
    [
        ({}, (1, 0, 0), (0, 1, 0)),
        ({"aim": (90.0, 0.0)}, (0, 1, 0), (-1, 0, 0)),
        ({"aim": (180.0, 30.0)}, (-np.sqrt(0.75), 0, 0.5), (0, -1, 0)),
        ({"aim_at": (1.0, 2.0, 0.0)}, (0, 0, -1), (0, 1, 0)),
        ({"aim_at": (4.0, 6.0, 3.0), "aim": (77.0, 5.0)}, (0.6, 0.8, 0), (-0.8, 0.6, 0)),
    ],
)
def test_axes_by_hand(keys: dict, axis: tuple, left: tuple) -> None:
    found = source_axes(source(**keys))
    assert found[0] == pytest.approx(axis, abs=1e-12)
    assert found[1] == pytest.approx(left, abs=1e-12)
    assert found @ found.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(found) == pytest.approx(1.0)


def test_a_source_cannot_aim_at_itself() -> None:
    with pytest.raises(SceneError, match="source 's', aim_at"):
        source_axes(source(aim_at=(1.0, 2.0, 3.0)))


def test_omnidirectional_is_one_everywhere(tmp_path: Path) -> None:
    assert (balloon(Omnidirectional(kind="omnidirectional"), tmp_path) == 1.0).all()


def test_cosine_power_is_6_db_down_at_half_the_coverage(tmp_path: Path) -> None:
    coverage = (360.0, 360.0, 180.0, 120.0, 90.0, 60.0, 50.0, 40.0)
    pattern = balloon(CosinePower(kind="cosine_power", coverage=coverage, rear_level=-20.0), tmp_path)
    for band, full in enumerate(coverage):
        edge = np.radians(full / 2.0)
        for turn in (0.0, 1.0, 4.0):
            towards = np.array([np.cos(edge), np.sin(edge) * np.cos(turn), np.sin(edge) * np.sin(turn)])
            gain = gain_towards(pattern, np.eye(3), towards)[band]
            # All half angles but 25 and 45 degrees lie on the grid of 2.5 degrees, and these do too.
            expected = 1.0 if full == 360.0 else 0.25
            assert gain == pytest.approx(expected, rel=1e-9)
    behind = gain_towards(pattern, np.eye(3), np.array([-1.0, 0.0, 0.0]))
    assert behind == pytest.approx([1.0, 1.0] + [0.01] * 6)


def shape(ahead: np.ndarray, left: np.ndarray, up: np.ndarray) -> np.ndarray:
    """A smooth pattern without any symmetry, dB, 0 on the axis: louder to the left and upwards."""
    return -6.0 * (1.0 - ahead) + 3.0 * left + 1.5 * up


def write_table(path: Path, directions: list[tuple[float, float]]) -> None:
    lines = ["azimuth_deg,elevation_deg,f_hz,level_db"]
    for azimuth, elevation in directions:
        a, e = np.radians(azimuth), np.radians(elevation)
        level = shape(np.cos(a) * np.cos(e), np.sin(a) * np.cos(e), np.sin(e))
        lines += [f"{azimuth},{elevation},{f},{level:.6f}" for f in OCTAVES]
    path.write_text("\n".join(lines), encoding="utf-8")


def test_a_tabulated_sphere_is_read_in_the_right_orientation(tmp_path: Path) -> None:
    write_table(tmp_path / "sphere.csv", [(a, e) for e in range(-90, 91, 5) for a in range(0, 360, 5)])
    pattern = balloon(TabulatedPolar(kind="tabulated", file="sphere.csv"), tmp_path)
    axes = source_axes(source(aim=(40.0, -15.0)))
    random = np.random.default_rng(5)
    directions = random.normal(size=(200, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    found = 10.0 * np.log10(gain_towards(pattern, axes, directions))
    expected = shape(*(directions @ axes.T).T)
    # Linear interpolation over a step h errs by h^2 / 8 times the second derivative: 9 dB/rad^2 at most (6, 3
    # and 1.5 dB together), 5 degrees in two angles of the table and 2.5 and 5 in the balloon: 0.03 dB. The
    # balloon is linear in energy, not in dB: (slope x h)^2 ln 10 / 80 with 9 dB/rad adds 0.02.
    assert np.abs(found - expected[:, None]).max() < 0.06
    mirrored = shape(*(directions @ axes.T * [1.0, -1.0, 1.0]).T)
    assert np.abs(found[:, 0] - mirrored).max() > 3.0  # control: left and right the wrong way round


def test_two_polars_are_exact_in_their_planes(tmp_path: Path) -> None:
    horizontal = [(float(a), 0.0) for a in range(0, 360, 5)]
    vertical = [(a, float(e)) for e in range(-90, 91, 5) for a in (0.0, 180.0) if e or not a]
    write_table(tmp_path / "polars.csv", [*horizontal, *vertical])
    pattern = balloon(TabulatedPolar(kind="tabulated", file="polars.csv"), tmp_path)
    angle = np.radians(np.arange(0.0, 360.0, 5.0))
    zero = np.zeros_like(angle)
    sideways = np.stack([np.cos(angle), np.sin(angle), zero], axis=1)
    upwards = np.stack([np.cos(angle), zero, np.sin(angle)], axis=1)
    for directions in (sideways, upwards):
        found = 10.0 * np.log10(gain_towards(pattern, np.eye(3), directions))
        # The directions are on the grid; levels are written to 1e-6 dB, arctan2 finds the grid to 1e-15.
        assert found == pytest.approx(np.repeat(shape(*directions.T)[:, None], 8, axis=1), abs=2e-6)


def test_levels_and_delays_are_carried_over(tmp_path: Path) -> None:
    sources = [
        {"name": "a", "position": [1.0, 1.0, 1.5], "level": [80.0 + i for i in range(8)], "delay": 12.5},
        {"name": "b", "position": [2.0, 1.0, 1.5], "level": [70.0] * 8, "aim": [30.0, 10.0]},
    ]
    study = read_study(venues.write_shoebox(tmp_path, sources=sources))
    arrays = compile_sources(study, [()] * 4, 343.2)
    assert arrays.names == ("a", "b")
    assert arrays.delay == pytest.approx([0.0125, 0.0])
    assert arrays.level[0] == pytest.approx([80.0 + i for i in range(8)])
    assert arrays.active.shape == (2, 4) and (arrays.active == 1.0).all()
    assert arrays.balloon.shape[0] == 2 and arrays.balloon.shape[3] == 8
