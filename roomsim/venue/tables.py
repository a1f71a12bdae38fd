"""CSV files of a study: their lines, columns and numbers."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from roomsim.errors import DocumentError

Row = tuple[int, list[str]]
"""Line, from 1, and its cells."""


class FileFault(Exception):
    """What is wrong with a file, and in which line, from 1, if in one; `faults_of_file` adds its name."""

    def __init__(self, text: str, line: int | None = None) -> None:
        super().__init__(text)
        self.line = line


@contextmanager
def faults_of_file(path: Path) -> Iterator[None]:
    """Turn a `FileFault` into a DocumentError that names the file and the line."""
    try:
        yield
    except FileFault as fault:
        place = path.name if fault.line is None else f"{path.name}:{fault.line}"
        raise DocumentError(f"{place}: {fault}") from None


def csv_rows(path: Path, largest: int) -> list[Row]:
    """Lines of a CSV file in UTF-8 of at most `largest` bytes, without blank ones and those that begin with #.

    Raises
    ------
    FileFault : it cannot be read, is too large, or is not such a file
    """
    try:
        with path.open("rb") as file:
            content = file.read(largest + 1)
    except FileNotFoundError:
        raise FileFault("no such file") from None
    except (OSError, ValueError) as error:
        raise FileFault(f"cannot be read: {error}") from None
    if len(content) > largest:
        raise FileFault(f"larger than {largest // 1_000_000} MB, the most that is read")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        at = content.count(b"\n", 0, error.start) + 1
        raise FileFault("not UTF-8; save the file with this encoding", at) from None
    if "\0" in text:
        raise FileFault("holds NUL characters; it is not a CSV file")
    rows = []
    for number, line in enumerate(io.StringIO(text, newline=None), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            try:
                rows.append((number, next(csv.reader([line.rstrip("\n")], strict=True))))
            except csv.Error as error:
                raise FileFault(f"not CSV: {error}", number) from None
    return rows


def column_positions(head: Row, wanted: tuple[str, ...]) -> list[int]:
    """Positions of the wanted columns in the line that names the columns.

    Raises
    ------
    FileFault : one of them is missing
    """
    names = [cell.strip().lower() for cell in head[1]]
    if not set(wanted) <= set(names):
        hint = "; columns are separated by commas, decimals by a point" if ";" in ",".join(head[1]) else ""
        raise FileFault(f"the first line must name the columns {', '.join(wanted)}{hint}", head[0])
    return [names.index(name) for name in wanted]


def number_in(cell: str, name: str, line: int) -> float:
    """The finite number in a cell of the column `name`.

    Raises
    ------
    FileFault : there is none
    """
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise FileFault(f'{name} must be a number with a decimal point, got "{cell.strip()[:40]}"', line)
    return value
