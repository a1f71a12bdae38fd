"""Reading of description files: from bytes to a validated model, with all faults of a file in one message."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from roomsim.errors import DocumentError, printable, suggestion, unprintable
from roomsim.venue.line_numbers import KeyPath, key_lines, line_of, path_text
from roomsim.venue.tables import FileFault, faults_of_file, read_text
from roomsim.venue.validation_messages import faults_of

LARGEST_FILE = 1_000_000
"""Bytes. Description files are written by hand; a larger file is of another kind."""

_ENDLESS_KEY = re.compile(r"""(?<![\w"'-])(?:[\w"'-]+[ \t]*\.[ \t]*){100}""")
"""Keys of a hundred or more parts; the parser needs time and memory that grow with the square of their number."""

SomeModel = TypeVar("SomeModel", bound=BaseModel)

_SYNTAX_HINTS = {
    "Invalid value": "text must be in quotes, numbers have a decimal point",
    "Expected newline or end of document after a statement": "write one statement per line, and decimals with a point",
    "Cannot overwrite a value": "the key occurs twice in its table",
    "Duplicate inline table key": "the key occurs twice in its table",
    "Cannot declare": "the table occurs twice; entries of a list are written [[name]], with double brackets",
    "Expected '=' after a key": "names with spaces or punctuation must be in quotes",
    "Unclosed array": "a closing bracket is missing",
    "Illegal character": "a closing quote or bracket is missing in this line",
    "Unescaped '\\' in a string": "write paths with /, or text in single quotes",
}


@dataclass(frozen=True)
class Fault:
    """One fault of a description file."""

    file: str
    line: int | None
    path: KeyPath
    text: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        return printable(": ".join(part for part in (place, path_text(self.path), self.text) if part))


@dataclass(frozen=True)
class SourceFile:
    """A TOML file as read: plain values, not yet validated."""

    name: str
    """For messages, relative to the study's folder."""
    values: Mapping[str, Any]
    lines: Mapping[KeyPath, int]
    digest: str
    """SHA-256 of its bytes."""

    def fault(self, path: KeyPath, text: str) -> Fault:
        return Fault(self.name, line_of(self.lines, path), path, text)


def document_error(faults: Iterable[Fault]) -> DocumentError:
    """One error with all faults, one per line, in the order of the lines in the files."""
    order: dict[str, int] = {}
    listed = list(faults)
    for fault in listed:
        order.setdefault(fault.file, len(order))
    listed.sort(key=lambda fault: (order[fault.file], fault.line or 0))
    return DocumentError("\n".join(str(fault) for fault in listed))


def read_source(path: Path, name: str) -> SourceFile:
    """Read a TOML file, which messages call `name`.

    Raises
    ------
    DocumentError : the file cannot be read, is too large, or is not UTF-8 or not TOML; a text in it contains
        characters that cannot be printed or change the direction of writing
    """

    with faults_of_file(name):
        text, content = read_text(path, LARGEST_FILE, "; a description file is much smaller")
        text = text.replace("\r\n", "\n")
        if _ENDLESS_KEY.search(text):
            raise FileFault("tables are nested too deeply")
        try:
            source = SourceFile(name, tomllib.loads(text), key_lines(text), hashlib.sha256(content).hexdigest())
            faults = [source.fault(path, text) for path, text in _unprintable_texts(source.values)]
        except RecursionError:
            raise FileFault("brackets are nested too deeply") from None
        except ValueError as error:
            raise DocumentError(_syntax(name, text, str(error))) from None
    if faults:
        raise document_error(faults)
    return source


def _unprintable_texts(value: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, str]]:
    """Keys and texts with characters that are invisible or control a terminal; only values may have several lines."""
    if isinstance(value, str):
        character = unprintable(value.replace("\n", "").replace("\t", ""))
        if character:
            yield path, f"contains the character {character}, which cannot be printed; write the text without it"
    elif isinstance(value, dict):
        for key, inner in value.items():
            character = unprintable(key)
            if character:
                yield (*path, key), f"the key contains the character {character}, which cannot be printed; rename it"
            yield from _unprintable_texts(inner, (*path, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from _unprintable_texts(inner, (*path, i))


def validate(source: SourceFile, model: type[SomeModel]) -> tuple[SomeModel | None, list[Fault]]:
    """The document as a model and no faults, or None and all faults."""
    try:
        # Strict, so that a text is not taken for a number; strict models need tuples in place of lists.
        return model.model_validate(_tuples(source.values), strict=True), []
    except ValidationError as error:
        return None, [source.fault(path, text) for path, text in faults_of(error, model)]
    except RecursionError:
        return None, [source.fault((), "tables or lists are nested too deeply")]


def read_document(path: Path, name: str, model: type[SomeModel]) -> tuple[SomeModel, SourceFile]:
    """A TOML file as a model, and its plain values.

    Raises
    ------
    DocumentError : as for `read_source`, and if the content does not fit the model
    """
    source = read_source(path, name)
    document, faults = validate(source, model)
    if document is None:
        raise document_error(faults)
    return document, source


def find_file(folder: Path, base: Path, written: str) -> Path:
    """The file that a file in the folder `base` names as `written`, if it is within `folder`.

    Raises
    ------
    ValueError : what is wrong with the path
    """
    if Path(written).is_absolute() or PureWindowsPath(written).drive or written.startswith("~"):
        raise ValueError(f'"{written}" must be a path relative to this file, within the study folder')
    if not written.isprintable():
        raise ValueError(f"{written!r} contains characters that file names do not have")
    if "\\" in written:
        raise ValueError(f'"{written}" must be written with / between folders')
    try:
        path = (base / written).resolve()
        if not path.is_relative_to(folder):
            raise ValueError(f'"{written}" is outside the study folder; copy the file into it')
        if path.is_file():
            return path
        others = [other.name for other in path.parent.iterdir()] if path.parent.is_dir() else []
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or error
        raise ValueError(f'"{written[:80]}" cannot be opened: {reason}') from None
    kind = [name for name in others if Path(name).suffix.lower() == path.suffix.lower()]
    raise ValueError(f'no such file: "{written}". {suggestion(path.name, kind) if kind else ""}'.rstrip())


def _syntax(name: str, text: str, message: str) -> str:
    match = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message, re.DOTALL)
    fault, line, column = match.groups() if match else (message, None, None)
    place = f":{line}:{column}" if line else f":{text.rstrip().count(chr(10)) + 1}" if match else ""
    hint = next((hint for start, hint in _SYNTAX_HINTS.items() if fault.startswith(start)), None)
    if match and not line:
        hint = "a closing bracket or quote is missing"
    return f"{name}{place}: not valid TOML: {fault}" + (f"; {hint}" if hint else "")


def _tuples(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_tuples(entry) for entry in value)
    if isinstance(value, dict):
        return {key: _tuples(entry) for key, entry in value.items()}
    return value
