"""Every way in which roomsim can refuse its input.

A message names the file, the place in it, what is wrong and what to do. The library raises; only the
command line catches, prints and sets the exit code.
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


class RoomsimError(Exception):
    """Base of all errors that a user can cause and cure.

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
        super().__init__(f"{text}\n       {cure}" if cure else text)

    def __reduce__(self) -> tuple:
        # Exceptions with keyword-only arguments do not survive a process pool by themselves.
        return _rebuild, (type(self), self.fault, self.file, self.place, self.cure)


def _rebuild(
    kind: type[RoomsimError], fault: str, file: str | None, place: str | None, cure: str | None
) -> RoomsimError:
    return kind(fault, file=file, place=place, cure=cure)


class DocumentError(RoomsimError):
    """A description file does not say what it should."""


class MeshError(RoomsimError):
    """A mesh cannot be read or used."""


class MaterialError(RoomsimError):
    """A material or fabric is unknown or impossible."""


class PhysicalRangeError(RoomsimError):
    """A quantity lies outside the range in which its formula holds."""


class SceneError(RoomsimError):
    """Venue, elements, sources and seats do not fit together."""


class DecayRangeError(RoomsimError):
    """A decay does not span the range that an evaluation needs."""


class StoreError(RoomsimError):
    """A study store cannot be read, written or continued."""

    exit_code = 4


DAMAGED_FILE = (OSError, RuntimeError, LookupError, ValueError, TypeError, AttributeError, ArithmeticError)
"""All that the HDF5 library, NumPy and JSON raise on damaged or hostile files."""


def suggestion(wrong: str, known: Iterable[str]) -> str:
    """Sentence that lists the near misses of `wrong` among the `known` names, or all of them if few."""
    names = sorted(set(known))
    near = get_close_matches(wrong, names, n=3, cutoff=0.5)
    if near:
        return "Did you mean " + " or ".join(repr(name) for name in near) + "?"
    shown = ", ".join(names[:12]) + (", …" if len(names) > 12 else "")
    return f"Known: {shown}." if names else "None are defined."
