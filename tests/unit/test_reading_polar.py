"""Directivity files: grids, octaves from thirds, and what each fault says."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pytest

from roomsim.errors import DocumentError
from roomsim.venue.directivity import PolarLevels, SphereLevels, read_polar_file

OCTAVES = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
# Nominal mid-bands of IEC 61260-1:2014, Table E.1 (from memory), 50 Hz to 10 kHz.
THIRDS = (
    50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000,
    5000, 6300, 8000, 10000,
)  # fmt: skip
HEAD = "azimuth_deg,elevation_deg,f_hz,level_db\n"

Pattern = Callable[[float, float, float], float]


def cardioid(azimuth: float, elevation: float, frequency: float) -> float:
    """dB; off the axis by theta: cos theta = cos azimuth cos elevation. Not below -60."""
    along = math.cos(math.radians(azimuth)) * math.cos(math.radians(elevation))
    return 20 * math.log10(max(0.5 * (1 + along), 1e-3))


def sphere(step: int = 10) -> list[tuple[float, float]]:
    return [(azimuth, elevation) for elevation in range(-90, 91, step) for azimuth in range(0, 360, step)]


def two_polars(step: int = 10) -> list[tuple[float, float]]:
    horizontal = [(azimuth, 0.0) for azimuth in range(-180, 180, step)]
    return horizontal + [(azimuth, elevation) for azimuth in (0, 180) for elevation in range(-90, 91, step)]


def write(
    folder: Path,
    directions: Iterable[tuple[float, float]],
    pattern: Pattern = cardioid,
    frequencies: Iterable[float] = OCTAVES,
) -> Path:
    path = folder / "box.csv"
    rows = [f"{a:g},{e:g},{f:g},{pattern(a, e, f):.6f}\n" for f in frequencies for a, e in directions]
    path.write_text(HEAD + "".join(rows))
    return path


def fault(path: Path) -> str:
    with pytest.raises(DocumentError) as error:
        read_polar_file(path)
    return str(error.value)


def test_full_sphere(tmp_path: Path) -> None:
    levels = read_polar_file(write(tmp_path, sphere()))
    assert isinstance(levels, SphereLevels)
    assert levels.azimuth.tolist() == list(range(0, 360, 10))
    assert levels.elevation.tolist() == list(range(-90, 91, 10))
    assert levels.level.shape == (19, 36, 8)
    # By hand: 6.02 dB down at right angles, where half the pressure is left; -60 behind, the pattern's floor.
    assert levels.level[9, 0] == pytest.approx([0.0] * 8, abs=1e-6)  # digits in the file
    assert levels.level[9, 9] == pytest.approx([-6.0206] * 8, abs=1e-4)  # digits of the expected value
    assert levels.level[0, 17] == pytest.approx([-6.0206] * 8, abs=1e-4)  # digits of the expected value
    assert levels.level[9, 18] == pytest.approx([-60.0] * 8, abs=1e-6)  # digits in the file


def test_pole_may_stand_once(tmp_path: Path) -> None:
    directions = [(a, e) for a, e in sphere() if abs(e) < 90] + [(0, 90), (0, -90)]
    levels = read_polar_file(write(tmp_path, directions))
    assert isinstance(levels, SphereLevels)
    assert levels.level[[0, 18]] == pytest.approx(np.full((2, 36, 8), -6.0206), abs=1e-4)  # printed digits


def test_two_polars(tmp_path: Path) -> None:
    """The vertical circle is not to be mirrored: this pattern is louder above than below."""

    def uneven(azimuth: float, elevation: float, frequency: float) -> float:
        along = math.cos(math.radians(azimuth)) * math.cos(math.radians(elevation))
        return elevation / 10 - math.degrees(math.acos(max(-1.0, min(1.0, along)))) / 20

    levels = read_polar_file(write(tmp_path, two_polars(15), uneven))
    assert isinstance(levels, PolarLevels)
    assert levels.horizontal_angle.tolist() == levels.vertical_angle.tolist() == list(range(0, 360, 15))
    # Upwards and over the back: 45 is 45 up in front, 135 is 45 up behind, 135 off the axis, 315 is 45 down.
    for angle, level in ((45, 4.5 - 2.25), (90, 4.5), (135, 4.5 - 6.75), (225, -4.5 - 6.75), (315, -6.75)):
        row = int(np.flatnonzero(levels.vertical_angle == angle)[0])
        assert levels.vertical[row] == pytest.approx([level] * 8, abs=1e-6)  # digits in the file
    assert levels.horizontal[6] == pytest.approx([-4.5] * 8, abs=1e-6)  # 90 to the left; digits in the file
    assert levels.horizontal[18] == pytest.approx([-4.5] * 8, abs=1e-6)  # 90 to the right; digits in the file


def test_thirds_are_averaged_by_energy(tmp_path: Path) -> None:
    """Off the axis the middle third of an octave has 0 dB, its neighbours -10: (1 + 0.1 + 0.1) / 3 = 0.4."""

    def uneven(azimuth: float, elevation: float, frequency: float) -> float:
        return 0.0 if (azimuth, elevation) == (0, 0) or frequency in OCTAVES else -10.0

    levels = read_polar_file(write(tmp_path, sphere(30), uneven, THIRDS))
    assert isinstance(levels, SphereLevels)
    # 10 lg 0.4 = -3.979; the mean of the levels would be -6.667.
    assert levels.level[3, 4] == pytest.approx([-3.979] * 8, abs=1e-3)  # digits of the expected value


def test_column_order_phase_comments_and_repeated_directions(tmp_path: Path) -> None:
    rows = [f"{cardioid(a, e, f):.6f}, 12.5, {f}, {e}, {a}" for f in OCTAVES for a, e in sphere(30)]
    rows += [f"{cardioid(0, e, f):.6f}, -3, {f}, {e}, 360" for f in OCTAVES for e in range(-90, 91, 30)]
    text = "# made for a test\nLevel_dB, phase_deg, f_hz, elevation_deg, azimuth_deg\n\n" + "\r\n".join(rows)
    path = tmp_path / "box.csv"
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    levels = read_polar_file(path)
    assert isinstance(levels, SphereLevels)
    assert levels.azimuth.tolist() == list(range(0, 360, 30))


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("0,0,1000,x", 'level_db must be a number with a decimal point, got "x"'),
        ("0,0,1000,nan", 'level_db must be a number with a decimal point, got "nan"'),
        ("0,0,1000", "expected 4 values, got 3"),
        ("0,0,1000,-1,5", "expected 4 values, got 5"),
        ("400,0,1000,0", "azimuth_deg must lie between -360 and 360, got 400"),
        ("0,120,1000,0", "elevation_deg must lie between -90 and 90, got 120; the back is azimuth 180"),
        ("0,0,1100,0", "f_hz must be an octave or one-third-octave mid-band from 50 Hz to 10 kHz, got 1100"),
        (
            "0,0,16000,0",
            "f_hz must be an octave or one-third-octave mid-band from 50 Hz to 10 kHz, got 16000",
        ),
        ("0,0,-5,0", "f_hz must be an octave or one-third-octave mid-band from 50 Hz to 10 kHz, got -5"),
        ("0,0,1000,100", "level_db must lie between -200 and 60 re the axis, got 100"),
        ("90,0,1000,-3", "a different level for the direction and frequency of line"),
        ('"0,0,1000,0', "not CSV"),
    ],
)
def test_faulty_row(tmp_path: Path, row: str, said: str) -> None:
    path = write(tmp_path, sphere(30))
    rows = path.read_text()
    path.write_text(rows + row + "\n")
    line = rows.count("\n") + 1
    assert fault(path).startswith(f"box.csv:{line}: {said}")


def test_axis_must_be_the_reference(tmp_path: Path) -> None:
    path = write(tmp_path, sphere(30), lambda a, e, f: cardioid(a, e, f) + (0.6 if f == 500 else 0.4))
    text = fault(path)
    # A line of names, 3 bands of 7 x 12 directions, at 500 Hz 3 rings of 12 below the horizon, then the axis.
    assert text.startswith(f"box.csv:{1 + 3 * 84 + 36 + 1}: the axis has 0.6 dB at 500 Hz")
    assert "relative to the axis" in text


@pytest.mark.parametrize(
    ("directions", "said"),
    [
        (
            [(a, e) for a, e in sphere() if (a, e) != (40, 30)],
            "no levels at azimuth 40, elevation 30; give every",
        ),
        (
            [(a, e) for a, e in sphere() if e <= 60],
            "elevations run from -90 to 60 and must run from -90 to 90",
        ),
        (
            [(a, e) for a, e in sphere() if e not in (20, 30, 40)],
            "elevation: nothing between 10 and 50 degrees",
        ),
        ([(a, e) for a, e in sphere() if a <= 180], "azimuth: nothing between 180 and 360 degrees"),
        ([(a, e) for a, e in sphere() if a > 0], "no levels on the axis"),
        (
            [(a, e) for a, e in two_polars() if a <= 90 or e],
            "horizontal polar (elevation 0): azimuth: nothing",
        ),
        (
            [(a, e) for a, e in two_polars() if abs(a) < 180 or not e],
            "vertical polar (azimuth 0 and 180, elevation -90 to 90): angle from the axis up and over the "
            "back: nothing between 90 and 180 degrees",
        ),
    ],
)
def test_gaps(tmp_path: Path, directions: list[tuple[float, float]], said: str) -> None:
    assert fault(write(tmp_path, directions)).startswith(f"box.csv: {said}")


def test_missing_band_and_missing_level(tmp_path: Path) -> None:
    text = fault(write(tmp_path, sphere(30), frequencies=OCTAVES[1:-1]))
    assert text.startswith("box.csv: no levels at 63, 8000 Hz; where the data end, repeat the nearest band")
    path = write(tmp_path, sphere(30))
    path.write_text(
        "".join(line for line in path.read_text().splitlines(True) if not line.startswith("60,30,2000"))
    )
    assert fault(path).startswith("box.csv: no level at azimuth 60, elevation 30 near 1995 Hz")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "box.csv:1: the first line must name the columns azimuth_deg, elevation_deg, f_hz, level_db"),
        (b"azimuth;elevation\n1;2\n", "box.csv:1: the first line must name the columns"),
        (HEAD.encode(), "box.csv:1: no levels below the names of the columns"),
        (HEAD.encode() + b"0,0,1000,\xff\n", "box.csv:2: not UTF-8"),
    ],
)
def test_no_table(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "box.csv"
    path.write_bytes(content)
    assert fault(path).startswith(said)


def test_missing_file(tmp_path: Path) -> None:
    assert fault(tmp_path / "box.csv") == "box.csv: no such file"
    assert fault(tmp_path) == f"{tmp_path.name}: this is a folder; name the file in it"
