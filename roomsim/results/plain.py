"""Dataclasses as JSON and back, checked against the types that they declare."""

from __future__ import annotations

import math
import types
from collections.abc import Callable
from dataclasses import asdict, is_dataclass
from functools import lru_cache
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

from .hdf5 import ContentError

Record = TypeVar("Record")

_NOT_FINITE = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}
"""Numbers that JSON cannot represent; they are written as text."""


def to_plain(value: Any) -> Any:
    """A dataclass and its content as dictionaries, lists, texts and numbers."""
    if is_dataclass(value) and not isinstance(value, type):
        return to_plain(asdict(value))
    if isinstance(value, dict):
        return {str(key): to_plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [to_plain(part) for part in value]
    if isinstance(value, np.ndarray):
        return to_plain(value.tolist())
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


def from_plain(kind: type[Record], content: Any) -> Record:
    """The inverse of `to_plain` for a dataclass, or a tuple or dictionary of dataclasses.

    The fields may be dataclasses, texts, numbers, tuples and dictionaries, optional values of these types, and arrays
    of a declared shape: `Annotated[np.ndarray, (None, 2)]`.

    Raises
    ------
    ContentError : an entry is missing, superfluous or of another type
    """
    record: Record = _reader(kind)(content)  # type: ignore[arg-type]
    return record


@lru_cache(maxsize=256)
def _reader(kind: Any) -> Callable[[Any], Any]:
    base, parts = get_origin(kind), get_args(kind)
    if is_dataclass(kind):
        hints = get_type_hints(kind, include_extras=True)
        return _dataclass_reader(kind, {name: _reader(hint) for name, hint in hints.items()})
    if base in (Union, types.UnionType):
        (reader,) = (_reader(part) for part in parts if part is not types.NoneType)
        return lambda content: None if content is None else reader(content)
    if base is Annotated:
        return _array_reader(parts[1])
    if base is dict:
        key, value = _reader(parts[0]), _reader(parts[1])
        return lambda content: {key(k): value(v) for k, v in _of_type(dict, content).items()}
    if base is tuple:
        return _tuple_reader(parts)
    if kind is float:
        return _number
    return lambda content: _of_type(kind, content)


def _dataclass_reader(kind: Any, readers: dict[str, Callable[[Any], Any]]) -> Callable[[Any], Any]:
    def read(content: Any) -> Any:
        if _of_type(dict, content).keys() != readers.keys():
            raise ContentError(f"a {kind.__name__} has missing or superfluous entries")
        return kind(**{name: reader(content[name]) for name, reader in readers.items()})

    return read


def _tuple_reader(parts: tuple[Any, ...]) -> Callable[[Any], Any]:
    if parts[-1] is Ellipsis:
        reader = _reader(parts[0])
        return lambda content: tuple(reader(part) for part in _of_type(list, content))
    readers = [_reader(part) for part in parts]

    def read(content: Any) -> Any:
        if len(_of_type(list, content)) != len(readers):
            raise ContentError(f"a list of {len(readers)} has {len(content)} entries")
        return tuple(reader(part) for reader, part in zip(readers, content, strict=True))

    return read


def _array_reader(shape: tuple[int | None, ...]) -> Callable[[Any], np.ndarray]:
    def read(content: Any) -> np.ndarray:
        try:
            array = np.array(_of_type(list, content), dtype=np.float64)
        except (TypeError, ValueError):
            raise ContentError("an array does not consist of numbers") from None
        if array.ndim != len(shape) or any(n not in (None, m) for n, m in zip(shape, array.shape, strict=True)):
            raise ContentError(f"an array has shape {array.shape}, not {shape}")
        return array

    return read


def _number(content: Any) -> float:
    if isinstance(content, str) and content in _NOT_FINITE:
        return _NOT_FINITE[content]
    if isinstance(content, bool) or not isinstance(content, int | float):
        raise ContentError(f"{content!r:.40} is not a number")
    return float(content)


def _of_type(kind: Any, content: Any) -> Any:
    # In Python True and False are integers, but they are not valid in place of an integer.
    if not isinstance(content, kind) or (isinstance(content, bool) and kind is not bool):
        raise ContentError(f"{content!r:.40} is not of type {kind.__name__}")
    return content
