"""The errors that roomsim raises for wrong input.

A message names the file, the place in it, what is wrong and what to do. The library raises; only the
command line catches, prints and sets the exit code.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from difflib import get_close_matches
from functools import partial
from typing import Self

LONGEST_LINE = 600
"""Characters of one line of a message; a longer line is shortened in the middle."""
MOST_LINES = 60
"""Lines of a message; a file can have thousands of faults."""
_JOINERS = "\u200c\u200d"
"""Joiners have no width, but Persian and the scripts of India need them."""


class RoomsimError(Exception):
    """Base of the errors that a user can cause and correct.

    Parameters
    ----------
    fault : str
        What is wrong, one sentence.
    file : str, optional
        File in which it was found.
    place : str, optional
        Key path, line, face or seat.
    cure : str, optional
        What to do about it.
    """

    exit_code = 3

    def __init__(self, fault: str, *, file: object = None, place: str | None = None, cure: str | None = None):
        self.fault = fault
        self.file = None if file is None else str(file)
        self.place = place
        self.cure = cure
        where = ", ".join(part for part in (self.file, place) if part)
        text = f"{where}: {fault}" if where else fault
        super().__init__(_fit_to_print(f"{text}\n       {cure}" if cure else text))

    def in_file(self, file: object) -> Self:
        """The same error with the name of the file in which it was found."""
        return type(self)(self.fault, file=file, place=self.place, cure=self.cure)

    def __reduce__(self) -> tuple:
        # Exceptions with keyword-only arguments cannot be pickled by themselves.
        return partial(type(self), file=self.file, place=self.place, cure=self.cure), (self.fault,)


class DocumentError(RoomsimError):
    """The content of a description file is wrong."""


class MeshError(RoomsimError):
    """A mesh cannot be read or used."""


class MaterialError(RoomsimError):
    """A material or fabric is unknown or impossible."""


class PhysicalRangeError(RoomsimError):
    """A quantity lies outside the range in which its formula is valid."""


class SceneError(RoomsimError):
    """Venue, elements, sources and seats are inconsistent."""


class StoreError(RoomsimError):
    """The folder or the results of a run cannot be read, written or resumed."""

    exit_code = 4


class CapacityError(RoomsimError):
    """The machine has too little memory or disk space for the task."""

    exit_code = 4


class RoomsimWarning(UserWarning):
    """A problem that the user should know about; the program continues."""


class PictureWarning(RoomsimWarning):
    """A picture could not be drawn; everything else is complete."""


DAMAGED_FILE = (OSError, RuntimeError, LookupError, ValueError, TypeError, AttributeError, ArithmeticError)
"""Exceptions that the HDF5 library, NumPy and JSON raise for damaged or malicious files."""


def unprintable(text: str) -> str:
    """Name of the first character that would control a terminal, reverse the direction of writing or be invisible,
    as in "U+202E RIGHT-TO-LEFT OVERRIDE"; empty if there is none. Spaces of all widths are printable."""
    for letter in text:
        if not _is_printable(letter):
            return f"U+{ord(letter):04X} {unicodedata.name(letter, '')}".rstrip()
    return ""


def printable(text: str) -> str:
    """The text on one line, with escapes for characters that would break the line or control the terminal."""
    return "".join(letter if _is_printable(letter) else repr(letter)[1:-1] for letter in text)


def _is_printable(letter: str) -> bool:
    return letter.isprintable() or letter in _JOINERS or unicodedata.category(letter) == "Zs"


def _fit_to_print(text: str) -> str:
    """A message with a limited number of printable lines of limited length."""
    lines = text.split("\n")
    if len(lines) > MOST_LINES:
        lines = [*lines[: MOST_LINES - 1], f"and {len(lines) - MOST_LINES + 1} more lines"]
    half = LONGEST_LINE // 2
    shown = (line if len(line) <= LONGEST_LINE else f"{line[:half]} … {line[-half:]}" for line in lines)
    return "\n".join(printable(line) for line in shown)


def unknown_name(kind: str, name: str, known: Iterable[str]) -> str:
    """Sentence on a `name` that is not among the `known` ones of its kind, with the near misses."""
    return f'no {kind} is called "{name}". {suggestion(name, known)}'


def suggestion(wrong: str, known: Iterable[str]) -> str:
    """Sentence with the names most similar to `wrong` among the `known` ones, or with all of them if they are few."""
    names = sorted(set(known))
    near = get_close_matches(wrong, names, n=3, cutoff=0.5)
    if near:
        return "Did you mean " + " or ".join(repr(name) for name in near) + "?"
    shown = ", ".join(names[:12]) + (", …" if len(names) > 12 else "")
    return f"Known: {shown}." if names else "None are defined."
