"""A measured room as a folder: geometry, surface tables, positions, and measured values.

    room.toml          description of the room, which names the other files
    <mesh>             any mesh that a venue may have
    <surface tables>   one CSV file a material, in one-third octaves or octaves
    <measurements>     one CSV file: source, receiver, quantity, frequency_hz, value

docs/measured_rooms.md explains every key, and how to make such a folder from an open data set.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field

from roomsim.bands import EXACT, LABELS, N_BANDS
from roomsim.fields import Document, Fractions, Model, Name, Point3
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
from roomsim.venue.parsing import Fault, document_error, find_file, read_document
from roomsim.venue.tables import FileFault, Row, column_positions, csv_rows, faults_of_file, number_in

ROOM_FILE = "room.toml"
COLUMNS = ("source", "receiver", "quantity", "frequency_hz", "value")
EVERYWHERE = "all"
"""Stands in place of the name of a source or receiver: the mean over all of them."""
LARGEST_FILE = 4_000_000
EAR_HEIGHT = 1.2
"""m; height above its floor at which a receiver position is entered as a seat."""
SOURCE_LEVEL = 100.0
"""dB at 1 m: any level far above the noise, since no room parameter depends on it."""

FilePath = Annotated[str, Field(min_length=1)]


class Place(Model):
    """A source or a receiver of the measurement."""

    name: Name
    position: Point3
    """m."""


class MeasuredRoomDocument(Document):
    """room.toml."""

    name: Name
    origin: Annotated[str, Field(min_length=1)]
    """Where the data come from: authors, title, identifier; or that they are synthetic. Printed with the
    comparison."""
    mesh: MeshReference
    air: Air = Air()
    """During the measurement."""
    surface_folder: str = "."
    """Folder of the surface tables, relative to this file."""
    surfaces: Annotated[dict[str, FilePath], Field(min_length=1)]
    """Surface group (exact or wildcard) -> surface table."""
    two_sided: tuple[str, ...] = ()
    """Surface groups that are open sheets."""
    measured: FilePath
    """Table of what was measured."""
    source: Annotated[tuple[Place, ...], Field(min_length=1)]
    """Omnidirectional, as ISO 3382-1 requires."""
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
    """A symbol such as T20, as written."""
    band: int
    value: float


@dataclass(frozen=True)
class MeasuredRoom:
    """A measured room, ready to be computed."""

    document: MeasuredRoomDocument
    study: Study
    """One scenario a source, in the order of `sources`; one seat a receiver, in the order of `receivers`."""
    sources: tuple[str, ...]
    receivers: tuple[str, ...]
    measurements: tuple[Measurement, ...]


def read_measured_room(folder: str | Path, surface_folder: str | None = None) -> MeasuredRoom:
    """Read the folder of a measured room.

    Parameters
    ----------
    folder : with a room.toml in it
    surface_folder : in place of the one that room.toml names, relative to `folder`; for data sets with several
        sets of surface tables

    Raises
    ------
    DocumentError : a file is missing or wrong; with file, line, key and cure
    """
    folder = Path(folder)
    room, source = read_document(folder / ROOM_FILE, ROOM_FILE, MeasuredRoomDocument)
    faults: list[Fault] = []
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
            source.fault((key, i, "name"), f'"{name}" is used twice, or means "all of them"')
            for i, name in enumerate(names)
            if name in names[:i] or name == EVERYWHERE
        ]
    if faults:
        raise document_error(faults)
    sources = tuple(place.name for place in room.source)
    receivers = tuple(place.name for place in room.receiver)
    with faults_of_file(measured_path.name):
        measurements = tuple(_measurements(measured_path, sources, receivers))
    return MeasuredRoom(
        document=room,
        study=_study(room, base, materials),
        sources=sources,
        receivers=receivers,
        measurements=measurements,
    )


def _study(room: MeasuredRoomDocument, folder: Path, materials: dict[str, Material]) -> Study:
    """The room as a study without elements: a scenario for each source."""
    names = [place.name for place in room.source]
    audience = tuple(
        AudienceArea(
            name=place.name,
            polygon=_square(place.position),
            floor=place.position[2] - EAR_HEIGHT,
            ear_height=EAR_HEIGHT,
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
                Source(name=place.name, position=place.position, level=_eight(np.full(N_BANDS, SOURCE_LEVEL)))
                for place in room.source
            ),
        ),
        materials=MaterialsDocument(schema=1, material=materials),
        digests={},
    )


_SIDE = 0.2
"""m, of the square that represents a receiver position."""


def _square(position: tuple[float, float, float]) -> tuple[tuple[float, float], ...]:
    x, y, _ = position
    half = _SIDE / 2.0
    return ((x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half))


# --- tables ---------------------------------------------------------------------------------------------


def read_surface_table(path: Path) -> Material:
    """Absorption and scattering of a surface from a CSV file.

    Either columns named frequency_hz, absorption, scattering, in any order; or three lines of numbers without
    names: frequencies, absorption, scattering. One-third octaves are averaged over each octave (ISO
    11654:1997 takes the mean of the three); an octave at either end that the table does not reach takes the
    nearest one. Values above 1, an effect of the edges of the sample, are taken as 1.

    Raises
    ------
    DocumentError : file, line and cure
    """
    with faults_of_file(path.name):
        rows = [(line, _without_blank_end(cells)) for line, cells in _rows(path)]
        is_bare = all(_is_number(cell) for cell in rows[0][1])
        columns = _three_lines(rows) if is_bare else _columns(rows)
        frequency, absorption, scattering = (
            np.array([number_in(cell, name, line) for line, cell in column])
            for name, column in zip(_SURFACE_COLUMNS, columns)
        )
        if (np.diff(np.sort(frequency)) <= 0.0).any() or (frequency <= 0.0).any():
            raise FileFault("a frequency occurs twice, or is not above 0")
        for name, values in (("absorption", absorption), ("scattering", scattering)):
            if (values < 0.0).any() or (values > 1.5).any():
                raise FileFault(f"{name} must lie between 0 and 1, got {values.min():g} to {values.max():g}")
        return Material(
            absorption=_octaves(frequency, np.minimum(absorption, 1.0)),
            scattering=_octaves(frequency, np.minimum(scattering, 1.0)),
            source=f"measured room: {path.name}",
        )


_SURFACE_COLUMNS = ("frequency_hz", "absorption", "scattering")


def _three_lines(rows: list[Row]) -> list[list[tuple[int, str]]]:
    """Line and cell of each value of the three quantities, of which each has a line."""
    if len(rows) != 3 or len({len(cells) for _, cells in rows}) != 1:
        raise FileFault(
            "without a line that names the columns, three lines of equal length are needed: frequencies, "
            "absorption, scattering",
            rows[-1][0],
        )
    return [[(line, cell) for cell in cells] for line, cells in rows]


def _columns(rows: list[Row]) -> list[list[tuple[int, str]]]:
    """Line and cell of each value of the three quantities, of which each has a column."""
    body = list(_body(rows, _SURFACE_COLUMNS))
    if not body:
        raise FileFault("no values below the names of the columns", rows[0][0])
    return [[(line, cells[i]) for line, cells in body] for i in range(len(_SURFACE_COLUMNS))]


def _octaves(frequency: np.ndarray, values: np.ndarray) -> Fractions:
    """(8,) means of the one-third octaves in each octave."""
    # Nominal frequencies are up to 2 % off the exact ones: the nearest band number is used.
    third = np.round(10.0 * np.log10(frequency)).astype(int)
    centre = np.round(10.0 * np.log10(EXACT)).astype(int)
    octave = np.full(N_BANDS, np.nan)
    for band in range(N_BANDS):
        inside = np.abs(third - centre[band]) <= 1
        if inside.any():
            octave[band] = values[inside].mean()
    known = np.flatnonzero(np.isfinite(octave))
    if not len(known):
        raise FileFault("no frequency lies in an octave from 63 Hz to 8 kHz")
    gap = np.flatnonzero(np.isnan(octave[known[0] : known[-1]]))
    if len(gap):
        raise FileFault(f"no values for {LABELS[known[0] + gap[0]]} Hz, but for bands on either side")
    return _eight(np.interp(np.arange(N_BANDS), known, octave[known]))


def _eight(values: np.ndarray) -> Fractions:
    a, b, c, d, e, f, g, h = (float(value) for value in values)
    return a, b, c, d, e, f, g, h


def _measurements(path: Path, sources: tuple[str, ...], receivers: tuple[str, ...]) -> Iterator[Measurement]:
    for line, (source, receiver, quantity, *numbers) in _body(_rows(path), COLUMNS):
        for name, kind, known in ((source, "source", sources), (receiver, "receiver", receivers)):
            if name not in (*known, EVERYWHERE):
                raise FileFault(f'{ROOM_FILE} has no {kind} "{name}"; it has {", ".join(known)}', line)
        frequency, value = (number_in(cell, name, line) for cell, name in zip(numbers, COLUMNS[3:]))
        band = int(np.argmin(np.abs(np.log(EXACT / frequency)))) if frequency > 0.0 else -1
        if band < 0 or abs(math.log10(frequency / EXACT[band])) > 0.02:
            raise FileFault(f"{frequency:g} Hz is not an octave band from 63 Hz to 8 kHz", line)
        yield Measurement(line, source, receiver, quantity, band, value)


def _rows(path: Path) -> list[Row]:
    rows = [(line, cells) for line, cells in csv_rows(path, LARGEST_FILE) if any(cell.strip() for cell in cells)]
    if not rows:
        raise FileFault("is empty")
    return rows


def _body(rows: list[Row], columns: tuple[str, ...]) -> Iterator[Row]:
    """Lines below the names of the columns, with the cells of the required columns only, none of them blank."""
    head, *body = rows
    positions = column_positions(head, columns)
    for line, cells in body:
        values = [cells[position].strip() if position < len(cells) else "" for position in positions]
        for cell, name in zip(values, columns):
            if not cell:
                raise FileFault(f"no {name} in this row; fill it in, or remove the row", line)
        yield line, values


def _without_blank_end(cells: list[str]) -> list[str]:
    """Tables often end their lines with a comma."""
    n = max(i + 1 for i, cell in enumerate(cells) if cell.strip())
    return cells[:n]


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True
