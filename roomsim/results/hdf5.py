"""HDF5 written without risk and read without trust.

Files are put together in memory and handed to `replace_file` whole: the HDF5 library never writes to the
disk, so a full disk or a kill cannot leave it half way. Behind the last byte that HDF5 knows of stands a
seal, the SHA-256 of all before it; other readers do not see it. It is checked before the library may touch
the file, because changed bytes can send the library into an endless loop. Against ill will, which can forge
a seal, every object is checked before its data are read: its link and its storage must lie in the file
itself, its filters must be the ones that every reader has, and its size must be one that the file can hold.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any, TypeVar

import h5py
import numpy as np

from ..errors import DAMAGED_FILE, StoreError, unprintable

TEXT = h5py.string_dtype("utf-8")

SEAL = b"roomsim sha256 "
SEAL_LENGTH = len(SEAL) + 64
"""Bytes."""

LARGEST_RATIO = 1032
"""The deflate format cannot pack closer than this (RFC 1951, section 3.2.5: 258 bytes take at least 2
bits)."""
LARGEST_ARRAY = 2**32
"""Bytes of one array that are read at most."""
KNOWN_FILTERS = {h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_FLETCHER32}

Scalar = TypeVar("Scalar", str, int, float)
_image_numbers = count()


class ContentError(Exception):
    """What is in a file is not what should be there; the readers turn it into a StoreError or set the file
    aside."""


UNREADABLE = (ContentError, *DAMAGED_FILE)
"""What reading a damaged or hostile file ends in."""


def file_image(kind: str, schema: int, fill: Callable[[h5py.File], None]) -> bytes:
    """Bytes of a sealed HDF5 file that names its kind and holds what `fill` puts into it."""
    # The library takes two open files of one name for the same file, also in memory: threads need names of
    # their own.
    with h5py.File(f"image {next(_image_numbers)}", "w", driver="core", backing_store=False) as file:
        file.attrs["kind"] = kind
        file.attrs["schema"] = schema
        fill(file)
        file.flush()
        return sealed(file.id.get_file_image())


def sealed(content: bytes) -> bytes:
    return content + SEAL + hashlib.sha256(content).hexdigest().encode()


def _check_seal(path: Path) -> None:
    total = hashlib.sha256()
    left = path.stat().st_size - SEAL_LENGTH
    with path.open("rb") as file:
        while left > 0:
            block = file.read(min(left, 1 << 20))
            total.update(block)
            left -= len(block) or left
        if file.read() != SEAL + total.hexdigest().encode():
            raise ContentError("it is cut short, or was changed after it was written")


@contextmanager
def open_checked(path: Path, kind: str, schema: int) -> Iterator[h5py.File]:
    """Open for reading, after a check of its kind.

    Raises
    ------
    StoreError : the file comes from a newer or an older program
    ContentError, OSError : it is no such file, or not as it was written
    """
    _check_seal(path)
    with h5py.File(path, "r", locking="best-effort") as file:
        if attribute(file, "kind", str) != kind:
            raise ContentError(f"it is no file of the kind '{kind}'")
        found = attribute(file, "schema", int)
        if found > schema:
            raise StoreError(
                f"was written by a newer roomsim (schema {found}; this one reads up to {schema})",
                file=path,
                cure="Update roomsim to read it.",
            )
        if found < schema:
            raise StoreError(
                f"was written by an older roomsim (schema {found}; this one reads {schema})",
                file=path,
                cure="Run again what wrote it.",
            )
        yield file


def attribute(item: h5py.HLObject, name: str, kind: type[Scalar]) -> Scalar:
    """One scalar attribute of the type asked for."""
    if name not in item.attrs:
        raise ContentError(f"attribute '{name}' is missing")
    stored = item.attrs.get_id(name)
    is_text = h5py.check_string_dtype(stored.dtype) is not None
    wanted = is_text if kind is str else not is_text and stored.dtype.kind in {int: "iu", float: "f"}[kind]
    if stored.shape != () or not wanted:
        raise ContentError(f"attribute '{name}' is not a single value of type {kind.__name__}")
    value = item.attrs[name]
    if kind is not str:
        return kind(value)
    return kind(checked_text(value.decode() if isinstance(value, bytes) else value, name))


def member(group: h5py.Group, name: str) -> h5py.Group | h5py.Dataset:
    """An object that lies in the file itself under this name."""
    if not isinstance(group.get(name, getlink=True), h5py.HardLink):
        raise ContentError(f"'{name}' is missing or lies outside the file")
    return group[name]


def subgroup(group: h5py.Group, name: str) -> h5py.Group:
    """A group that lies in the file itself under this name."""
    found = member(group, name)
    if not isinstance(found, h5py.Group):
        raise ContentError(f"'{name}' is not a group")
    return found


def _dataset(group: h5py.Group, name: str) -> h5py.Dataset:
    found = member(group, name)
    if not isinstance(found, h5py.Dataset):
        raise ContentError(f"'{name}' is not a dataset")
    if found.is_virtual or found.external:
        raise ContentError(f"the data of '{name}' lie outside the file")
    plan = found.id.get_create_plist()
    if not {plan.get_filter(i)[0] for i in range(plan.get_nfilters())} <= KNOWN_FILTERS:
        raise ContentError(f"'{name}' is packed in a way that this program does not use")
    stored = found.id.get_storage_size()
    if found.nbytes > min(LARGEST_ARRAY, LARGEST_RATIO * stored):
        raise ContentError(f"'{name}' claims {found.nbytes} bytes, of which the file holds {stored}")
    return found


def array(group: h5py.Group, name: str, dtype: str, shape: tuple[int | None, ...]) -> np.ndarray:
    """All of a numerical dataset, of exactly this dtype and shape; None for a length that may be anything."""
    found = _dataset(group, name)
    if found.dtype != np.dtype(dtype):
        raise ContentError(f"'{name}' has type {found.dtype}, not {np.dtype(dtype)}")
    if len(found.shape) != len(shape) or any(
        want not in (None, have) for want, have in zip(shape, found.shape, strict=True)
    ):
        raise ContentError(f"'{name}' has shape {found.shape}, not {shape}")
    return found[()]


def text(group: h5py.Group, name: str) -> str:
    """A dataset that is one text."""
    found = _dataset(group, name)
    if found.shape != () or h5py.check_string_dtype(found.dtype) is None:
        raise ContentError(f"'{name}' is not a text")
    return checked_text(found.asstr()[()], name)


def texts(group: h5py.Group, name: str, n: int | None = None) -> list[str]:
    """A dataset that is a list of texts."""
    found = _dataset(group, name)
    if len(found.shape) != 1 or n not in (None, found.shape[0]) or h5py.check_string_dtype(found.dtype) is None:
        raise ContentError(f"'{name}' is not a list of {'' if n is None else n} texts")
    return [checked_text(item, name) for item in found.asstr()[()]]


def checked_text(text: str, name: str) -> str:
    """The text, if it may be printed; a file from elsewhere may hold anything.

    Raises
    ------
    ContentError : it holds characters that cannot be printed or change the direction of writing
    """
    found = unprintable(text.replace("\n", "").replace("\t", ""))
    if found:
        raise ContentError(f"'{name}' holds the character {found}, which cannot be printed")
    return text


def parsed(content: str, name: str) -> Any:
    """The content of a JSON text; escapes in it can spell the same characters.

    Raises
    ------
    ContentError : as `checked_text` does
    ValueError : it is no JSON
    """
    found = json.loads(content)
    waiting = [found]
    while waiting:
        part = waiting.pop()
        if isinstance(part, str):
            checked_text(part, name)
        elif isinstance(part, dict):
            waiting += [*part, *part.values()]
        elif isinstance(part, list):
            waiting += part
    return found
