"""Safe writing of HDF5 files, and reading of files that are not trusted.

Files are assembled in memory and passed to `replace_file` as a whole. The HDF5 library never writes to the disk, so a
full disk or a killed process cannot leave a partial file. The HDF5 data are followed by a seal, the SHA-256 of all
bytes before it, which other readers ignore. The seal is checked before the library opens the file, because changed
bytes can cause an endless loop in the library. A malicious author can forge a seal; therefore every object is checked
before its data are read: its link and its storage must lie in the file itself, its filters must be standard ones, and
its size must be consistent with the size of the stored data.
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
"""Largest compression ratio of the deflate format (RFC 1951, section 3.2.5: 258 bytes take at least 2 bits)."""
LARGEST_ARRAY = 2**32
"""Size of the largest array that is read, bytes."""
KNOWN_FILTERS = {h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_FLETCHER32}

Scalar = TypeVar("Scalar", str, int, float)
_image_numbers = count()


class ContentError(Exception):
    """A file has unexpected content. The readers raise a StoreError or set the file aside."""


UNREADABLE = (ContentError, *DAMAGED_FILE)
"""Exceptions that reading a damaged or malicious file raises."""


def file_image(kind: str, schema: int, fill: Callable[[h5py.File], None]) -> bytes:
    """Bytes of a sealed HDF5 file with an attribute for its kind and the content that `fill` writes."""
    # The library treats two open files of the same name as one file, even in memory, so the names must differ.
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
    ContentError, OSError : it is not a file of this kind, or was changed
    """
    _check_seal(path)
    with h5py.File(path, "r", locking="best-effort") as file:
        if attribute(file, "kind", str) != kind:
            raise ContentError(f"it is not a file of the kind '{kind}'")
        stored = attribute(file, "schema", int)
        if stored != schema:
            writer, cure = ("a newer", "Update roomsim to read it.")
            if stored < schema:
                writer, cure = ("an older", "Run the command that wrote it again.")
            message = f"was written by {writer} roomsim (schema {stored}; this one reads schema {schema})"
            raise StoreError(message, file=path, cure=cure)
        yield file


def attribute(item: h5py.HLObject, name: str, kind: type[Scalar]) -> Scalar:
    """A scalar attribute of a given type."""
    if name not in item.attrs:
        raise ContentError(f"attribute '{name}' is missing")
    stored = item.attrs.get_id(name)
    is_text = h5py.check_string_dtype(stored.dtype) is not None
    is_of_kind = is_text if kind is str else not is_text and stored.dtype.kind in {int: "iu", float: "f"}[kind]
    if stored.shape != () or not is_of_kind:
        raise ContentError(f"attribute '{name}' is not a single value of type {kind.__name__}")
    value = item.attrs[name]
    if kind is not str:
        return kind(value)
    return kind(checked_text(value.decode() if isinstance(value, bytes) else value, name))


def member(group: h5py.Group, name: str) -> h5py.Group | h5py.Dataset:
    """The object of this name, which must lie in the file itself."""
    if not isinstance(group.get(name, getlink=True), h5py.HardLink):
        raise ContentError(f"'{name}' is missing or lies outside the file")
    return group[name]


def subgroup(group: h5py.Group, name: str) -> h5py.Group:
    """The group of this name, which must lie in the file itself."""
    item = member(group, name)
    if not isinstance(item, h5py.Group):
        raise ContentError(f"'{name}' is not a group")
    return item


def _dataset(group: h5py.Group, name: str) -> h5py.Dataset:
    dataset = member(group, name)
    if not isinstance(dataset, h5py.Dataset):
        raise ContentError(f"'{name}' is not a dataset")
    if dataset.is_virtual or dataset.external:
        raise ContentError(f"the data of '{name}' lie outside the file")
    properties = dataset.id.get_create_plist()
    if not {properties.get_filter(i)[0] for i in range(properties.get_nfilters())} <= KNOWN_FILTERS:
        raise ContentError(f"'{name}' is compressed by a method that this program does not use")
    stored = dataset.id.get_storage_size()
    if dataset.nbytes > min(LARGEST_ARRAY, LARGEST_RATIO * stored):
        raise ContentError(f"'{name}' claims {dataset.nbytes} bytes, of which the file holds {stored}")
    return dataset


def array(group: h5py.Group, name: str, dtype: str, shape: tuple[int | None, ...]) -> np.ndarray:
    """A numerical dataset of exactly this dtype and shape; None in the shape accepts any length."""
    dataset = _dataset(group, name)
    if dataset.dtype != np.dtype(dtype):
        raise ContentError(f"'{name}' has type {dataset.dtype}, not {np.dtype(dtype)}")
    if len(dataset.shape) != len(shape) or any(n not in (None, m) for n, m in zip(shape, dataset.shape)):
        raise ContentError(f"'{name}' has shape {dataset.shape}, not {shape}")
    return dataset[()]


def text(group: h5py.Group, name: str) -> str:
    """A dataset that consists of a single text."""
    dataset = _dataset(group, name)
    if dataset.shape != () or h5py.check_string_dtype(dataset.dtype) is None:
        raise ContentError(f"'{name}' is not a text")
    return checked_text(dataset.asstr()[()], name)


def texts(group: h5py.Group, name: str, n: int | None = None) -> list[str]:
    """A dataset that is a list of texts."""
    dataset = _dataset(group, name)
    if len(dataset.shape) != 1 or n not in (None, dataset.shape[0]) or h5py.check_string_dtype(dataset.dtype) is None:
        raise ContentError(f"'{name}' is not a list of {'' if n is None else n} texts")
    return [checked_text(item, name) for item in dataset.asstr()[()]]


def checked_text(text: str, name: str) -> str:
    """The text, if all its characters can be printed.

    Raises
    ------
    ContentError : it contains characters that cannot be printed or change the direction of writing
    """
    character = unprintable(text.replace("\n", "").replace("\t", ""))
    if character:
        raise ContentError(f"'{name}' contains the character {character}, which cannot be printed")
    return text


def parsed(content: str, name: str) -> Any:
    """The content of a JSON text, whose escape sequences may represent unprintable characters.

    Raises
    ------
    ContentError : as in `checked_text`
    ValueError : it is not JSON
    """
    value = json.loads(content)
    waiting = [value]
    while waiting:
        part = waiting.pop()
        if isinstance(part, str):
            checked_text(part, name)
        elif isinstance(part, dict):
            waiting += [*part, *part.values()]
        elif isinstance(part, list):
            waiting += part
    return value
