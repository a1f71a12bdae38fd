"""Text files of a study, and the lines, columns and numbers of those that are CSV."""

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
    """A fault of a file, with its line, from 1, if it is in one; `faults_of_file` adds the name of the file."""

    def __init__(self, text: str, line: int | None = None) -> None:
        super().__init__(text)
        self.line = line


@contextmanager
def faults_of_file(name: str) -> Iterator[None]:
    """Turn a `FileFault` into a DocumentError that begins with the name of the file and the line."""
    try:
        yield
    except FileFault as fault:
        place = name if fault.line is None else f"{name}:{fault.line}"
        raise DocumentError(f"{place}: {fault}") from None


def read_text(path: Path, largest: int, remark: str) -> tuple[str, bytes]:
    """Text of a file in UTF-8, and its bytes.

    Parameters
    ----------
    path : of the file
    largest : largest size, bytes
    remark : addition to the message for a larger file

    Raises
    ------
    FileFault : the file cannot be read, is too large, or is not in UTF-8
    """
    try:
        if not path.is_file():
            raise FileFault("this is a folder; name the file in it" if path.is_dir() else "no such file")
        with path.open("rb") as file:
            content = file.read(largest + 1)
    except (OSError, ValueError) as error:
        raise FileFault(f"cannot be read: {error}") from None
    if len(content) > largest:
        raise FileFault(f"larger than {largest // 1_000_000} MB{remark}")
    try:
        return content.decode("utf-8-sig"), content
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise FileFault("not UTF-8; save the file with this encoding", line) from None


def csv_rows(path: Path, largest: int) -> list[Row]:
    """Lines of a CSV file in UTF-8 of at most `largest` bytes, without blank lines and those that begin with #.

    Raises
    ------
    FileFault : the file cannot be read, is too large, or is not a CSV file in UTF-8
    """
    text, _ = read_text(path, largest, ", the largest size that is read")
    if "\0" in text:
        raise FileFault("contains NUL characters; it is not a CSV file")
    rows = []
    for number, line in enumerate(io.StringIO(text, newline=None), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            try:
                rows.append((number, next(csv.reader([line.rstrip("\n")], strict=True))))
            except csv.Error as error:
                raise FileFault(f"not CSV: {error}", number) from None
    return rows


def column_positions(head: Row, columns: tuple[str, ...]) -> list[int]:
    """Positions of the required columns in the line that names the columns.

    Raises
    ------
    FileFault : one of them is missing
    """
    names = [cell.strip().lower() for cell in head[1]]
    if not set(columns) <= set(names):
        hint = "; columns are separated by commas, decimals by a point" if ";" in ",".join(head[1]) else ""
        raise FileFault(f"the first line must name the columns {', '.join(columns)}{hint}", head[0])
    return [names.index(name) for name in columns]


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
