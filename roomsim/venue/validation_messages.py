"""Messages for the faults that the validation of a document finds."""

from __future__ import annotations

import types
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, Tag, ValidationError

from roomsim.bands import NAMES
from roomsim.venue.line_numbers import KeyPath

_SCALARS = {float: "a number", int: "a whole number", str: "text in quotes"}
_COUNT = {2: "two", 3: "three", 8: "eight"}
_BOUND = {
    "greater_than": ("gt", "above"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "below"),
    "less_than_equal": ("le", "at most"),
}


def faults_of(error: ValidationError, model: type[BaseModel]) -> Iterator[tuple[KeyPath, str]]:
    """Key path and message of each fault that the validation of a document of type `model` found."""
    entries = [(entry, _locate(model, entry["loc"])) for entry in error.errors(include_url=False)]
    # A misspelt key is also a missing key, and a short list lacks several entries; each fault is reported once.
    misspelt = {
        (*place.path[:-1], _nearest(str(place.path[-1]), _keys(place.outer)))
        for entry, place in entries
        if entry["type"] == "extra_forbidden"
    }
    # The path is empty where the fault is one of the whole document.
    known: set[KeyPath] = {(), *((key,) for key in _keys(model))}
    short: set[KeyPath] = set()
    for entry, place in entries:
        kind, value = entry["type"], entry["input"]
        if kind == "missing" and isinstance(place.path[-1], int):
            around = place.path[:-1]
            if around not in short:
                yield around, f"expected {expected(place.outer)}; there are {len(value)}"
            short.add(around)
        elif kind == "missing" and place.path in misspelt:
            continue
        elif kind == "too_short" and len(value) >= entry["ctx"]["min_length"]:
            continue  # the entries exist but are faulty, and each has its own message
        elif kind in ("union_tag_invalid", "union_tag_not_found"):
            yield (*place.path, "kind"), _choice(_tags(place.annotation), value.get("kind"))
        else:
            text = _message(kind, value, entry.get("ctx", {}), place)
            # In TOML a key below the header of a table belongs to this table, whether intended or not.
            homes = [] if place.path in known else list(_tables_with(model, str(place.path[-1])))
            # A table with arbitrary keys also accepts a key that was meant for the top of the file.
            is_lost = kind == "extra_forbidden" or (get_origin(place.outer) is dict and () in homes)
            yield place.path, f"{text}; {_belongs(str(place.path[-1]), homes)}" if homes and is_lost else text


@dataclass(frozen=True)
class _Place:
    """A place in a document."""

    path: KeyPath
    annotation: Any
    """Type that is expected there."""
    outer: Any
    """Type of the table or list around it."""


def _tables_with(model: type[BaseModel], key: str) -> Iterator[KeyPath]:
    """Tables of a document that have a key: their paths, empty for the top level."""
    waiting: list[tuple[KeyPath, type[BaseModel]]] = [((), model)]
    while waiting:
        path, table = waiting.pop(0)
        if key in _keys(table):
            yield path
        for name, field in table.model_fields.items():
            for inner in _models_in(field.annotation):
                if len(path) < 3:
                    waiting.append(((*path, field.alias or name), inner))


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _models_in(argument)


def _belongs(key: str, homes: Sequence[KeyPath]) -> str:
    """Where a key must be written."""
    if () in homes:
        return f'"{key}" belongs at the top of the file, before the first line in brackets'
    tables = dict.fromkeys(".".join(map(str, home)) for home in homes)
    return f'"{key}" belongs in the table {" or ".join(list(tables)[:3])}'


def _message(kind: str, value: Any, context: Mapping[str, Any], place: _Place) -> str:
    """Message for a fault; `kind` and `context` are those of the validator."""
    if kind == "missing" and place.path == ("schema",):
        return "missing; write schema = 1"
    if kind == "missing":
        return f"missing; expected {expected(place.annotation)}"
    if kind == "extra_forbidden":
        known = _keys(place.outer)
        near = _nearest(str(place.path[-1]), known)
        return "unknown key; " + (f'did you mean "{near}"?' if near else f"known here: {', '.join(known)}")
    if kind == "too_short":
        least = context["min_length"]
        return f"expected at least {least} {'entry' if least == 1 else 'entries'}; there are {len(value)}"
    if kind == "too_long":
        return f"expected {expected(place.annotation)}; there are {len(value)}"
    if kind == "literal_error" and place.path == ("schema",):
        return f"this version of roomsim reads schema = {context['expected']}, got {_display(value)}"
    if kind == "literal_error":
        return _choice(get_args(_bare(place.annotation)), value)
    if kind == "value_error":
        return str(context["error"])
    if kind == "finite_number":
        return f"nan and inf are not allowed here; expected a number{_band(place)}"
    if kind in _BOUND:
        name, word = _BOUND[kind]
        return f"must be {word} {context[name]:.12g}, got {_display(value)}{_band(place)}"
    if kind == "string_too_short":
        return "must not be empty"
    if kind == "string_too_long":
        return f"must not be longer than {context['max_length']} characters, has {len(value)}"
    thing = "material" if place.path[0] == "surfaces" else place.path[-1]
    is_reference = thing in ("material", "fabric", "loudspeaker")
    wanted = f"the name of a {thing}, in quotes" if is_reference else expected(place.annotation)
    return f"expected {wanted}, got {_display(value)}{_hint(place, value)}"


def expected(annotation: Any) -> str:
    """Description of the values that a type accepts."""
    kind = _bare(annotation)
    origin, arguments = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        forms = [expected(member) for member in arguments]
        return ", or ".join(forms) if forms[0] != "a table" else "a table"
    if kind in _SCALARS:
        return _SCALARS[kind]
    if origin is Literal:
        return " or ".join(_quoted(value) for value in arguments)
    if origin is tuple and Ellipsis in arguments:
        inner = _bare(arguments[0])
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            return "tables in double brackets"
        return f"a list, each entry {expected(inner)}"
    if origin is tuple:
        span = ", 63 Hz to 8 kHz" if len(arguments) == len(NAMES) else ""
        return f"{_COUNT[len(arguments)]} numbers in brackets{span}"
    return "a table"


def _locate(model: type[BaseModel], loc: Sequence[str | int]) -> _Place:
    """The place in the file; the location of the validator also contains the member of a union."""
    path: KeyPath = ()
    annotation: Any = model
    outer: Any = None
    for part in loc:
        kind = _bare(annotation)
        tagged = _tags(kind)
        if tagged and part in tagged:
            annotation = tagged[str(part)]
            continue
        outer, path = kind, (*path, part)
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            names = {field.alias or name: field.annotation for name, field in kind.model_fields.items()}
            annotation = names.get(str(part))
        elif get_origin(kind) is tuple:
            members = [member for member in get_args(kind) if member is not Ellipsis]
            annotation = members[min(int(part), len(members) - 1)]
        elif get_origin(kind) is dict:
            annotation = get_args(kind)[1]
    return _Place(path, annotation, outer)


def _bare(annotation: Any) -> Any:
    """The type without its constraints and without None."""
    while True:
        if get_origin(annotation) is Annotated:
            annotation = get_args(annotation)[0]
        elif get_origin(annotation) in (Union, types.UnionType):
            members = [member for member in get_args(annotation) if member is not type(None)]
            if len(members) != 1:
                return annotation
            annotation = members[0]
        else:
            return annotation


def _tags(annotation: Any) -> dict[str, Any]:
    """Kind -> member of a union whose members are distinguished by their `kind`, or by a tag."""
    kind = _bare(annotation)
    if get_origin(kind) not in (Union, types.UnionType):
        return {}
    tagged: dict[str, Any] = {}
    for member in get_args(kind):
        tags = [mark.tag for mark in get_args(member)[1:] if isinstance(mark, Tag)]
        tagged[tags[0] if tags else get_args(member.model_fields["kind"].annotation)[0]] = member
    return tagged


def _keys(annotation: Any) -> list[str]:
    return [field.alias or name for name, field in annotation.model_fields.items()]


def _nearest(wrong: str, known: Iterable[str]) -> str | None:
    return next(iter(get_close_matches(wrong, list(known), n=1, cutoff=0.6)), None)


def _choice(known: Iterable[str], value: Any) -> str:
    names = " or ".join(_quoted(name) for name in known)
    if value is None:
        return f"missing; expected {names}"
    near = _nearest(str(value), (name for name in known if isinstance(name, str)))
    return f"expected {names}, got {_display(value)}" + (f'; did you mean "{near}"?' if near else "")


def _band(place: _Place) -> str:
    """The octave, where the place is one of eight bands."""
    index = place.path[-1]
    if get_origin(place.outer) is tuple and len(get_args(place.outer)) == len(NAMES) and isinstance(index, int):
        return f" at {NAMES[index]}"
    return ""


def _hint(place: _Place, value: Any) -> str:
    kind = _bare(place.annotation)
    if kind in (float, int) and isinstance(value, str):
        return "; numbers are written without quotes and with a decimal point"
    if isinstance(value, Mapping) and get_origin(kind) is tuple:
        return f"; write [[{place.path[-1]}]], with double brackets, for each entry"
    return ""


def _quoted(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)


def _display(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'the text "{value if len(value) <= 40 else value[:40] + "…"}"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, Sequence):
        return "a list" if value else "an empty list"
    if isinstance(value, int) and value.bit_length() > 200:
        return "a number out of range"
    return str(value)
