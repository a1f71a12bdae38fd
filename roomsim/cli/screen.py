"""Printing: results on standard output, everything else on standard error."""

from __future__ import annotations

import dataclasses
import io
import json
import math
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import RoomsimError, StoreError
from .stopping import give_up_output

if TYPE_CHECKING:
    from rich.console import Console

JSON_VERSION = 1
"""Version of the object that `--json` prints; it changes when a program that reads the old one would fail."""

WIDE = 132
"""Columns of a table in a file or a pipe."""


@dataclasses.dataclass(frozen=True)
class Screen:
    """Prints the output of one command.

    Attributes
    ----------
    command : name of the command, for the JSON object
    quiet : print results, warnings and errors, but neither progress nor remarks
    as_json : print one JSON object instead of tables
    """

    command: str
    quiet: bool = False
    as_json: bool = False

    def remark(self, text: str) -> None:
        """A sentence about the progress of the command."""
        if not self.quiet:
            print_remark(text)

    def show(self, renderable: Any) -> None:
        """Print a result as text or a table, unless JSON is requested."""
        if self.as_json:
            return
        with _printing():
            if sys.stdout.isatty():
                console(sys.stdout).print(renderable, markup=False)
                return
            text = _Text()
            console(text).print(renderable, markup=False)
            # Tables are padded to the full width, which is not wanted in a file.
            print("\n".join(line.rstrip() for line in text.getvalue().split("\n")).rstrip("\n"))

    def line(self, text: object) -> None:
        """A result of one line, or of several lines that are already formatted."""
        if not self.as_json:
            with _printing():
                print(text)

    def files(self, paths: list[Path]) -> None:
        """The files that a command has written."""
        self.give(files=paths)
        for path in paths:
            self.line(path)

    def give(self, **content: Any) -> None:
        """Print the result as a JSON object, if JSON is requested."""
        if self.as_json:
            give_json(self.command, content)


class _Text(io.StringIO):
    """Text for standard output, in the characters that its encoding has."""

    encoding = property(lambda self: sys.stdout.encoding)  # type: ignore[assignment]


def console(stream: Any) -> Console:
    """Console on a stream: colours only on a terminal that supports them; a wide page where there is no terminal."""
    from rich.console import Console

    width = None if stream.isatty() else int(os.environ.get("COLUMNS", WIDE))
    return Console(file=stream, width=width, highlight=False, soft_wrap=False)


def give_json(command: str, content: dict[str, Any]) -> None:
    """Print the JSON object of a command."""
    whole = {"schema": JSON_VERSION, "command": command, **plain(content)}
    with _printing():
        json.dump(whole, sys.stdout, ensure_ascii=False, allow_nan=False, indent=1)
        sys.stdout.write("\n")


_refused: list[OSError] = []


@contextmanager
def _printing() -> Iterator[None]:
    """Continue the command if standard output cannot be written: a full disk, or a reader that has ended (`| head`)."""
    try:
        yield
    except OSError as fault:
        give_up_output()
        if not isinstance(fault, BrokenPipeError):  # A reader that has ended needs no message.
            _refused.append(fault)


def finish_printing() -> StoreError | None:
    """Flush standard output; return the error if something could not be printed."""
    with _printing():
        sys.stdout.flush()
    if not _refused:
        return None
    fault = _refused[0]
    _refused.clear()
    return StoreError(
        f"cannot write: {fault.strerror or fault}",
        file="standard output",
        cure="Computed results are not lost; redirect the output to a disk with free space.",
    )


def plain(value: Any) -> Any:
    """`value` in the types of JSON: arrays as lists, numbers that are not finite as null."""
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple | set):
        return [plain(part) for part in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if value is None or isinstance(value, bool | int | float) else str(value)


def print_remark(text: str) -> None:
    """Print a line on standard error; if that fails (a log on a full disk), go on without it."""
    with suppress(OSError):
        print(text, file=sys.stderr, flush=True)


def print_warning(text: str) -> None:
    """Print a warning as text."""
    _coloured("Warning: ", text, "bold yellow")


def print_error(error: RoomsimError | str) -> None:
    """Print an error as text."""
    _coloured("Error: ", str(error), "bold red")


def error_object(error: RoomsimError) -> dict[str, Any]:
    """An error as a JSON object."""
    parts = {"file": error.file, "place": error.place, "fault": error.fault, "cure": error.cure}
    return {"error": {"kind": type(error).__name__, **parts}}


def _coloured(head: str, text: str, style: str) -> None:
    if not sys.stderr.isatty():
        print_remark(head + text)
        return
    from rich.text import Text

    console(sys.stderr).print(Text.assemble((head, style), text), soft_wrap=True)


def duration_text(seconds: float) -> str:
    """ "8 s", "3 min 20 s", "2 h 5 min"."""
    whole = max(1, round(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 600:
        return f"{whole // 60} min {whole % 60 // 10 * 10} s".replace(" 0 s", "")
    if whole < 3600:
        return f"{round(whole / 60)} min"
    return f"{whole // 3600} h {whole % 3600 // 60} min".replace(" 0 min", "")
