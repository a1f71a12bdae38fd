"""A measured room as a folder: geometry, surface tables, places, and what was measured there.

    room.toml          what is what (the only file that must have this name)
    <mesh>             any mesh that a venue may have
    <surface tables>   one CSV file a material, in one-third octaves or octaves
    <measurements>     one CSV file: source, receiver, quantity, frequency_hz, value

docs/measured_rooms.md explains every key and how to come from an open data set to such a folder.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from roomsim.bands import EXACT, LABELS, N_BANDS
from roomsim.errors import DocumentError
from roomsim.fields import Fractions, Model, Name, Point3
from roomsim.venue.document import (
    Air,
    AudienceArea,
    ElementsDocument,
    Material,
    MaterialsDocument,
    MeshReference,
    Precision,
    Scenario,
    Source,
    SourcesDocument,
    Study,
    StudyDocument,
    Uncertainty,
    VenueDocument,
)
from roomsim.venue.parsing import document_error, find_file, read_source, validate

ROOM_FILE = "room.toml"
COLUMNS = ("source", "receiver", "quantity", "frequency_hz", "value")
EVERYWHERE = "all"
"""In place of a source or receiver: the mean over all of them."""
LARGEST_FILE = 4_000_000
EAR = 1.2
"""m; height above its floor at which a place of measurement is entered as a seat."""
LEVEL = 100.0
"""dB at 1 m: any level far above the noise will do, for no room parameter depends on it."""

FilePath = Annotated[str, Field(min_length=1)]


class Place(Model):
    """A source or a receiver of the measurement."""

    name: Name
    position: Point3
    """m."""


class MeasuredRoomDocument(Model):
    """room.toml."""

    schema_version: Literal[1] = Field(alias="schema", description="Version of this file format.")
    name: Name
    origin: Annotated[str, Field(min_length=1)]
    """Where the data come from: authors, title, identifier; or that they are synthetic. It is printed with the
    comparison."""
    mesh: MeshReference
    air: Air = Air()
    """While it was measured."""
    surface_folder: str = "."
    """Folder of the surface tables, relative to this file."""
    surfaces: Annotated[dict[str, FilePath], Field(min_length=1)]
    """Surface group (exact or wildcard) -> surface table."""
    two_sided: tuple[str, ...] = ()
    """Surface groups that are open sheets."""
    measured: FilePath
    """Table of what was measured."""
    source: Annotated[tuple[Place, ...], Field(min_length=1)]
    """Omnidirectional, as ISO 3382-1 wants them."""
    receiver: Annotated[tuple[Place, ...], Field(min_length=1)]
    seed: Annotated[int, Field(ge=0, lt=2**31)] = 1
    image_order: Annotated[int, Field(ge=0, le=3)] = 2
    receiver_radius: Annotated[float, Field(gt=0.05, le=1.0)] = 0.5
    precision: Precision = Precision()


@dataclass(frozen=True)
class Measurement:
    """One measured value."""

    line: int
    """Of the table, for messages."""
    source: str
    """Name, or "all"."""
    receiver: str
    quantity: str
    """As written: a symbol such as T20."""
    band: int
    value: float


@dataclass(frozen=True)
class MeasuredRoom:
    """A measured room, ready to be computed."""

    name: str
    origin: str
    study: Study
    """One scenario a source, in the order of `sources`; one seat a receiver, in the order of `receivers`."""
    sources: tuple[str, ...]
    receivers: tuple[str, ...]
    measured_file: str
    measurements: tuple[Measurement, ...]


def read_measured_room(folder: str | Path, surface_folder: str | None = None) -> MeasuredRoom:
    """Read the folder of a measured room.

    Parameters
    ----------
    folder : with a room.toml in it
    surface_folder : in place of the one that room.toml names, relative to `folder`; for data sets that give
        several sets of surface tables

    Raises
    ------
    DocumentError : a file is missing or wrong; with file, line, key and cure
    """
    folder = Path(folder)
    source = read_source(folder / ROOM_FILE, ROOM_FILE)
    room, faults = validate(source, MeasuredRoomDocument)
    if room is None:
        raise document_error(faults)
    base = folder.resolve()
    tables = surface_folder if surface_folder is not None else room.surface_folder
    materials: dict[str, Material] = {}
    for group, written in room.surfaces.items():
        try:
            path = find_file(base, base / tables, written)
        except ValueError as error:
            faults.append(source.fault(("surfaces", group), str(error)))
            continue
        if written not in materials:
            materials[written] = read_surface_table(path)
    try:
        measured_path = find_file(base, base, room.measured)
    except ValueError as error:
        faults.append(source.fault(("measured",), str(error)))
    for key, places in (("source", room.source), ("receiver", room.receiver)):
        names = [place.name for place in places]
        faults += [
            source.fault((key, i, "name"), f'"{name}" stands here twice, or means "all of them"')
            for i, name in enumerate(names)
            if name in names[:i] or name == EVERYWHERE
        ]
    if faults:
        raise document_error(faults)
    sources = tuple(place.name for place in room.source)
    receivers = tuple(place.name for place in room.receiver)
    return MeasuredRoom(
        name=room.name,
        origin=room.origin,
        study=_study(room, base, materials),
        sources=sources,
        receivers=receivers,
        measured_file=room.measured,
        measurements=tuple(_measurements(measured_path, sources, receivers)),
    )


def _study(room: MeasuredRoomDocument, folder: Path, materials: dict[str, Material]) -> Study:
    """The room as a study without elements: a scenario for each source."""
    names = [place.name for place in room.source]
    audience = tuple(
        AudienceArea(
            name=place.name,
            polygon=_square(place.position),
            floor=place.position[2] - EAR,
            ear_height=EAR,
            seat_spacing=(_SIDE, _SIDE),
        )
        for place in room.receiver
    )
    return Study(
        folder=folder,
        document=StudyDocument(
            schema=1,
            title=room.name,
            venue=ROOM_FILE,
            elements=ROOM_FILE,
            sources=ROOM_FILE,
            seed=room.seed,
            image_order=room.image_order,
            receiver_radius=room.receiver_radius,
            noise=_eight(np.zeros(N_BANDS)),
            precision=room.precision,
            uncertainty=Uncertainty(draws=0),
            bare=names[0],
            scenario=tuple(Scenario(name=name) for name in names),
        ),
        venue=VenueDocument(
            schema=1,
            name=room.name,
            mesh=room.mesh,
            air=room.air,
            surfaces=dict(room.surfaces),
            two_sided=room.two_sided,
            audience=audience,
        ),
        elements=ElementsDocument(schema=1),
        sources=SourcesDocument(
            schema=1,
            source=tuple(
                Source(name=place.name, position=place.position, level=_eight(np.full(N_BANDS, LEVEL)))
                for place in room.source
            ),
        ),
        materials=MaterialsDocument(schema=1, material=materials),
        digests={},
    )


_SIDE = 0.2
"""m, of the square that stands for a place of measurement."""


def _square(position: tuple[float, float, float]) -> tuple[tuple[float, float], ...]:
    x, y, _ = position
    half = _SIDE / 2.0
    return ((x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half))


# --- tables ---------------------------------------------------------------------------------------------


def read_surface_table(path: Path) -> Material:
    """Absorption and scattering of a surface from a CSV file.

    Either columns under the heads frequency_hz, absorption, scattering, in any order; or three lines of bare
    numbers: frequencies, absorption, scattering. One-third octaves are averaged over each octave (ISO
    11654:1997 takes the mean of the three); an octave at either end that the table does not reach takes the
    nearest one. Values above 1, an effect of the sample's edges, count as 1.

    Raises
    ------
    DocumentError : file, line and cure
    """
    rows = list(_rows(path))
    if not rows:
        raise _refuse(path, None, "is empty")
    is_bare = all(_is_number(cell) for cell in rows[0][1])
    frequency, absorption, scattering = _three_lines(path, rows) if is_bare else _columns(path, rows)
    if (np.diff(np.sort(frequency)) <= 0.0).any() or (frequency <= 0.0).any():
        raise _refuse(path, None, "a frequency stands twice, or is not above 0")
    for name, values in (("absorption", absorption), ("scattering", scattering)):
        if (values < 0.0).any() or (values > 1.5).any():
            raise _refuse(
                path, None, f"{name} must lie between 0 and 1, got {values.min():g} to {values.max():g}"
            )
    return Material(
        absorption=_octaves(path, frequency, np.minimum(absorption, 1.0)),
        scattering=_octaves(path, frequency, np.minimum(scattering, 1.0)),
        source=f"measured room: {path.name}",
    )


def _three_lines(path: Path, rows: list[tuple[int, list[str]]]) -> tuple[np.ndarray, ...]:
    if len(rows) != 3 or len({len(cells) for _, cells in rows}) != 1:
        raise _refuse(
            path,
            rows[-1][0],
            "without heads three lines of equal length are due: frequencies, absorption, scattering",
        )
    return tuple(np.array([_number(path, line, cell) for cell in cells]) for line, cells in rows)


def _columns(path: Path, rows: list[tuple[int, list[str]]]) -> tuple[np.ndarray, ...]:
    places = _heads(path, rows[0], ("frequency_hz", "absorption", "scattering"))
    body = rows[1:]
    if not body:
        raise _refuse(path, rows[0][0], "holds heads and no values")
    _check_complete(path, rows[0], body, places)
    return tuple(np.array([_number(path, line, cells[place]) for line, cells in body]) for place in places)


def _octaves(path: Path, frequency: np.ndarray, values: np.ndarray) -> Fractions:
    """(8,) means of the one-third octaves that lie in each octave."""
    # Nominal frequencies are up to 2 % off the exact ones: the nearest number of a third counts.
    third = np.round(10.0 * np.log10(frequency)).astype(int)
    centre = np.round(10.0 * np.log10(EXACT)).astype(int)
    octave = np.full(N_BANDS, np.nan)
    for band in range(N_BANDS):
        inside = np.abs(third - centre[band]) <= 1
        if inside.any():
            octave[band] = values[inside].mean()
    known = np.flatnonzero(np.isfinite(octave))
    if not len(known):
        raise _refuse(path, None, "no frequency lies in an octave from 63 Hz to 8 kHz")
    gap = np.flatnonzero(np.isnan(octave[known[0] : known[-1]]))
    if len(gap):
        raise _refuse(
            path, None, f"no values for {LABELS[known[0] + gap[0]]} Hz, but for bands on either side"
        )
    return _eight(np.interp(np.arange(N_BANDS), known, octave[known]))


def _eight(values: np.ndarray) -> Fractions:
    a, b, c, d, e, f, g, h = (float(value) for value in values)
    return a, b, c, d, e, f, g, h


def _measurements(path: Path, sources: tuple[str, ...], receivers: tuple[str, ...]) -> Iterator[Measurement]:
    rows = list(_rows(path))
    if not rows:
        raise _refuse(path, None, "is empty")
    at = _heads(path, rows[0], COLUMNS)
    _check_complete(path, rows[0], rows[1:], at)
    for line, cells in rows[1:]:
        source, receiver, quantity = (cells[place].strip() for place in at[:3])
        for name, kind, known in ((source, "source", sources), (receiver, "receiver", receivers)):
            if name not in (*known, EVERYWHERE):
                raise _refuse(path, line, f'{ROOM_FILE} has no {kind} "{name}"; it has {", ".join(known)}')
        frequency, value = (_number(path, line, cells[place]) for place in at[3:])
        band = int(np.argmin(np.abs(np.log(EXACT / frequency)))) if frequency > 0.0 else -1
        if band < 0 or abs(math.log10(frequency / EXACT[band])) > 0.02:
            raise _refuse(path, line, f"{frequency:g} Hz is no octave band from 63 Hz to 8 kHz")
        yield Measurement(line, source, receiver, quantity, band, value)


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """(line, cells) of each line that says something; lines that begin with # do not."""
    try:
        content = path.read_bytes()
        if len(content) > LARGEST_FILE:
            raise _refuse(path, None, f"larger than {LARGEST_FILE // 1_000_000} MB; is it the right file?")
        text = content.decode("utf-8-sig")
    except OSError as error:
        raise _refuse(path, None, f"cannot be read: {error}") from None
    except UnicodeDecodeError as error:
        raise _refuse(path, content.count(b"\n", 0, error.start) + 1, "not UTF-8; save it so") from None
    if "\0" in text:
        raise _refuse(path, None, "holds NUL characters; it is no CSV file")
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        cells = next(csv.reader([line]), [])
        # Tables often end their lines with a comma.
        while cells and not cells[-1].strip():
            cells.pop()
        if cells:
            yield number, cells


def _heads(path: Path, row: tuple[int, list[str]], wanted: tuple[str, ...]) -> list[int]:
    names = [cell.strip().lower() for cell in row[1]]
    missing = [name for name in wanted if name not in names]
    if missing:
        parted = "; columns are parted by commas, decimals by a point" if ";" in ",".join(row[1]) else ""
        raise _refuse(path, row[0], f"the first line must name the columns {', '.join(wanted)}{parted}")
    return [names.index(name) for name in wanted]


def _check_complete(
    path: Path, heads: tuple[int, list[str]], body: list[tuple[int, list[str]]], places: list[int]
) -> None:
    """Refuse rows without a cell for one of the columns at `places`; blank cells at the end are cut off."""
    for line, cells in body:
        for place in places:
            if place >= len(cells) or not cells[place].strip():
                name = heads[1][place].strip()
                raise _refuse(path, line, f"no {name} in this row; fill it in, or remove the row")


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _number(path: Path, line: int, cell: str) -> float:
    if not _is_number(cell) or not math.isfinite(float(cell)):
        raise _refuse(path, line, f"{cell.strip()!r} is no number")
    return float(cell)


def _refuse(path: Path, line: int | None, text: str) -> DocumentError:
    place = path.name if line is None else f"{path.name}:{line}"
    return DocumentError(f"{place}: {text}")
