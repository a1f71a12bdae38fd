"""Measured directivity of a source, from a CSV file.

Angles in degrees: azimuth is anticlockwise from the source's axis, seen from above; elevation is upwards. The
axis is azimuth 0, elevation 0. Levels are relative to the axis at the same frequency.

A file holds either the whole sphere, every azimuth at every elevation from -90 to 90, or the horizontal polar
(elevation 0, all round) and the vertical polar (azimuth 0 and 180, each at elevations from -90 to 90).
Frequencies are octave or one-third-octave mid-bands; the thirds that lie in an octave are averaged by energy.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from roomsim.bands import N_BANDS, NOMINAL
from roomsim.venue.tables import FileFault, Row, column_positions, csv_rows, faults_of_file, number_in

COLUMNS = ("azimuth_deg", "elevation_deg", "f_hz", "level_db")
LARGEST_FILE = 8_000_000
"""Bytes. The whole sphere in steps of 2 degrees is 2 MB in octaves and 6 MB in thirds."""
WIDEST_STEP = 30.0
"""Degrees. Directions further apart than this do not define a pattern."""
AXIS_TOLERANCE = 0.5
"""dB by which the axis may differ from 0, for rounded and smoothed data."""


@dataclass(frozen=True)
class SphereLevels:
    """Levels over the whole sphere."""

    azimuth: np.ndarray
    """(n_azimuth,) float64, degrees, ascending from 0, below 360."""
    elevation: np.ndarray
    """(n_elevation,) float64, degrees, ascending from -90 to 90."""
    level: np.ndarray
    """(n_elevation, n_azimuth, 8) float64, dB re the axis; equal at all azimuths of a pole."""


@dataclass(frozen=True)
class PolarLevels:
    """Levels on two circles through the axis."""

    horizontal_angle: np.ndarray
    """(n_horizontal,) float64, degrees from the axis towards the left, ascending from 0, below 360."""
    horizontal: np.ndarray
    """(n_horizontal, 8) float64, dB re the axis."""
    vertical_angle: np.ndarray
    """(n_vertical,) float64, degrees from the axis upwards and over the back, ascending from 0, below 360."""
    vertical: np.ndarray
    """(n_vertical, 8) float64, dB re the axis."""


Direction = tuple[float, float]
"""Azimuth and elevation, degrees."""
Rows = dict[Direction, dict[int, tuple[float, int]]]
"""Direction -> number of the one-third-octave band (IEC 61260-1: 10 lg f) -> level, dB, and line."""


def read_polar_file(path: str | Path, thirds: bool = False) -> SphereLevels | PolarLevels:
    """Read a directivity file.

    Parameters
    ----------
    path : CSV file in UTF-8 with the columns azimuth_deg, elevation_deg, f_hz, level_db, in any order.
        Further columns (such as a phase) and lines that begin with # are ignored.
    thirds : levels for each of the 24 thirds from 50 Hz to 10 kHz in place of octaves; a third that the file does
        not have takes the nearest one of its octave

    Returns
    -------
    SphereLevels or PolarLevels, on the file's own grid of directions; the last axis of the levels has 24
    entries with `thirds`

    Raises
    ------
    DocumentError : file, line and cure
    """
    path = Path(path)
    with faults_of_file(path.name):
        rows = _rows(csv_rows(path, LARGEST_FILE))
        levels = _octaves(rows)  # also checks what the thirds need
        if thirds:
            levels = _thirds(rows)
        azimuths = {azimuth for azimuth, _ in levels}
        in_planes = all(elevation == 0 or azimuth % 180 == 0 for azimuth, elevation in levels)
        return _polars(levels) if in_planes and len(azimuths) > 1 else _sphere(levels)


def _rows(rows: list[Row]) -> Rows:
    head, *body = rows or [(1, [])]
    columns = column_positions(head, COLUMNS)
    levels: Rows = {}
    for number, cells in body:
        if len(cells) != len(head[1]):
            raise FileFault(f"expected {len(head[1])} values, got {len(cells)}", number)
        azimuth, elevation, frequency, level = (
            number_in(cells[column], name, number) for column, name in zip(columns, COLUMNS)
        )
        if not -360 <= azimuth <= 360:
            raise FileFault(f"azimuth_deg must lie between -360 and 360, got {azimuth:g}", number)
        if not -90 <= elevation <= 90:
            raise FileFault(
                f"elevation_deg must lie between -90 and 90, got {elevation:g}; the back is azimuth 180",
                number,
            )
        if not -200 <= level <= 60:
            raise FileFault(f"level_db must lie between -200 and 60 re the axis, got {level:g}", number)
        spectrum = levels.setdefault((round(azimuth % 360, 6) % 360, elevation), {})
        first, line = spectrum.setdefault(_third(frequency, number), (level, number))
        if abs(first - level) > 0.1:
            raise FileFault(f"a different level for the direction and frequency of line {line}", number)
    if not levels:
        raise FileFault("no levels below the names of the columns", head[0])
    return levels


def _third(frequency: float, line: int) -> int:
    """Number of the one-third-octave band: 10 lg f is a whole number at the exact mid-bands of IEC 61260-1, and
    within 0.05 of it at the nominal ones."""
    number = 10 * math.log10(frequency) if frequency > 0 else 0.0
    if abs(number - round(number)) > 0.1 or not 17 <= round(number) <= 40:
        raise FileFault(
            f"f_hz must be an octave or one-third-octave mid-band from 50 Hz to 10 kHz, got {frequency:g}",
            line,
        )
    return round(number)


def _octaves(rows: Rows) -> dict[Direction, np.ndarray]:
    """Direction -> (8,) dB, with the thirds averaged by energy."""
    thirds = sorted({third for spectrum in rows.values() for third in spectrum})
    members = [[third for third in thirds if abs(third - 18 - 3 * band) <= 1] for band in range(N_BANDS)]
    lacking = [f"{NOMINAL[band]:g}" for band in range(N_BANDS) if not members[band]]
    if lacking:
        raise FileFault(
            f"no levels at {', '.join(lacking)} Hz; where the data end, repeat the nearest band or give 0 dB "
            "in all directions, whichever suits the source"
        )
    octaves = {}
    for (azimuth, elevation), spectrum in rows.items():
        for third in thirds:
            if third not in spectrum:
                raise FileFault(
                    f"no level at azimuth {azimuth:g}, elevation {elevation:g} near "
                    f"{10 ** (third / 10):.0f} Hz, a frequency that other directions have"
                )
        energy = {third: 10 ** (level / 10) for third, (level, _) in spectrum.items()}
        octaves[azimuth, elevation] = np.array(
            [10 * math.log10(math.fsum(energy[t] for t in band) / len(band)) for band in members]
        )
    axis = octaves.get((0.0, 0.0))
    if axis is None:
        raise FileFault("no levels on the axis, azimuth 0 and elevation 0")
    off = int(np.argmax(np.abs(axis)))
    if abs(axis[off]) > AXIS_TOLERANCE:
        _, line = rows[0.0, 0.0][min(members[off])]
        raise FileFault(
            f"the axis has {axis[off]:.1f} dB at {NOMINAL[off]:g} Hz; levels must be relative to the axis at "
            "the same frequency, where they are 0 dB",
            line,
        )
    return octaves


def _thirds(rows: Rows) -> dict[Direction, np.ndarray]:
    """Direction -> (24,) dB, thirds 17 to 40, from levels that have at least one third in every octave."""
    measured = sorted(next(iter(rows.values())))
    nearest = [
        min((t for t in measured if (t - 17) // 3 == (third - 17) // 3), key=lambda t: abs(t - third))
        for third in range(17, 41)
    ]
    return {
        direction: np.array([spectrum[third][0] for third in nearest]) for direction, spectrum in rows.items()
    }


def _polars(levels: dict[Direction, np.ndarray]) -> PolarLevels:
    horizontal = {azimuth: level for (azimuth, elevation), level in levels.items() if elevation == 0}
    upwards: dict[float, list[np.ndarray]] = {}
    for (azimuth, elevation), level in levels.items():
        if azimuth % 180 == 0:
            upwards.setdefault(elevation % 360 if azimuth == 0 else 180 - elevation, []).append(level)
    # Zenith and nadir belong to both azimuths.
    vertical = {angle: _mean(level) for angle, level in upwards.items()}
    return PolarLevels(
        *_circle(horizontal, "horizontal polar (elevation 0): azimuth"),
        *_circle(
            vertical,
            "vertical polar (azimuth 0 and 180, elevation -90 to 90): angle from the axis up and over the back",
        ),
    )


def _circle(levels: dict[float, np.ndarray], what: str) -> tuple[np.ndarray, np.ndarray]:
    """Angles in ascending order, from 0 to below 360 degrees, and the level at each."""
    angles = np.array(sorted(levels))
    _check_gaps(np.append(angles, 360.0), what)
    return angles, np.array([levels[angle] for angle in sorted(levels)])


def _sphere(levels: dict[Direction, np.ndarray]) -> SphereLevels:
    azimuths = sorted({azimuth for azimuth, _ in levels})
    elevations = sorted({elevation for _, elevation in levels})
    if elevations[0] != -90 or elevations[-1] != 90:
        raise FileFault(
            f"elevations run from {elevations[0]:g} to {elevations[-1]:g} and must run from -90 to 90; for "
            "two polars give elevation 0 all round, and azimuth 0 and 180 from -90 to 90"
        )
    _check_gaps(np.array([*azimuths, 360.0]), "azimuth")
    _check_gaps(np.array(elevations), "elevation")
    rows = []
    for elevation in elevations:
        row = [levels.get((azimuth, elevation)) for azimuth in azimuths]
        known = [level for level in row if level is not None]
        if abs(elevation) == 90:
            # A pole is one direction, at however many azimuths the file lists it.
            row = [_mean(known)] * len(azimuths)
        elif len(known) < len(row):
            azimuth = next(azimuth for azimuth, level in zip(azimuths, row) if level is None)
            raise FileFault(
                f"no levels at azimuth {azimuth:g}, elevation {elevation:g}; give every azimuth at every elevation"
            )
        rows.append(row)
    return SphereLevels(np.array(azimuths), np.array(elevations), np.array(rows))


def _mean(levels: Iterable[np.ndarray]) -> np.ndarray:
    """(8,) dB, mean energy of the levels."""
    return 10 * np.log10(np.mean([10 ** (level / 10) for level in levels], axis=0))


def _check_gaps(angles: np.ndarray, what: str) -> None:
    """Refuse wide gaps between angles in ascending order."""
    gaps = np.diff(angles)
    widest = int(np.argmax(gaps))
    if gaps[widest] > WIDEST_STEP:
        raise FileFault(
            f"{what}: nothing between {angles[widest]:g} and {angles[widest + 1]:g} degrees; steps must not "
            f"be wider than {WIDEST_STEP:g} degrees"
        )
