"""The file plan.h5 in the folder of a run: the answer of a search, sealed like all files there.

Its records are one JSON text: they are lists of unlike things, for which tables of numbers are no good.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, is_dataclass
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, get_args, get_origin, get_type_hints

import numpy as np

from ..errors import StoreError
from ..files import replace_file
from ..study import hdf5
from ..study.folder import PLAN
from .results import PlanResults

KIND = "roomsim plan"
SCHEMA = 3


def write_plan(path: Path, results: PlanResults) -> None:
    """Replace the plan file at `path`.

    Raises
    ------
    StoreError : the disk is full or cannot be written; an older file at `path` is then still there
    """
    text = json.dumps(as_plain(results), ensure_ascii=False, allow_nan=False)

    def fill(file: Any) -> None:
        for name in ("title", "venue", "currency"):
            file.attrs[name] = getattr(results, name)
        dataset = file.create_dataset("plan", data=text, dtype=hdf5.TEXT)
        dataset.attrs["long_name"] = "JSON: the answer of the search"

    replace_file(path, hdf5.file_image(KIND, SCHEMA, fill))


def load_plan(results: PlanResults | str | Path) -> PlanResults:
    """Read the answer of a search. One that is already loaded is returned as it is.

    Parameters
    ----------
    results : folder of a run, or the plan.h5 in it

    Raises
    ------
    StoreError : there is none, it is damaged, or a newer program wrote it
    """
    if isinstance(results, PlanResults):
        return results
    path = Path(results)
    path = path / PLAN if path.is_dir() else path
    if not path.exists():
        raise StoreError("there is no plan", file=path, cure="Search first: roomsim plan STUDY.toml.")
    try:
        with hdf5.open_checked(path, KIND, SCHEMA) as file:
            return _read(PlanResults, hdf5.parsed(hdf5.text(file, "plan"), "plan"))
    except (*hdf5.UNREADABLE, AttributeError, KeyError, TypeError, ValueError) as fault:
        reason = fault if isinstance(fault, hdf5.ContentError) else "not a whole plan file"
        raise StoreError(
            f"cannot be read as a plan file: {reason}", file=path, cure="Search again to write a new one."
        ) from fault


def as_plain(results: PlanResults) -> dict[str, Any]:
    """The answer as JSON can hold it: "nan" and "inf", as text, where a number is not finite."""
    return _plain(asdict(results))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


def _read(kind: Any, value: Any) -> Any:
    """A value of a type out of what `_plain` made of it.

    Raises
    ------
    AttributeError, KeyError, TypeError, ValueError : it is not of this type
    """
    if is_dataclass(kind):
        hints = get_type_hints(kind, include_extras=True)
        if set(value) != set(hints):
            raise ValueError(f"not the keys of {kind}")
        return kind(**{name: _read(hint, value[name]) for name, hint in hints.items()})  # type: ignore[operator]
    parts = get_args(kind)
    if get_origin(kind) is UnionType:
        return None if value is None else _read(parts[0], value)
    if get_origin(kind) is dict:
        return {_read(parts[0], key): _read(parts[1], part) for key, part in value.items()}
    if get_origin(kind) is tuple:
        kinds = parts[:1] * len(value) if parts[1:] == (...,) else parts
        return tuple(_read(one, part) for one, part in zip(kinds, value, strict=True))
    if kind is np.ndarray or get_origin(kind) is Annotated:
        return np.array(value, dtype=float)
    if kind is float and not isinstance(value, bool):
        # Numbers that are not finite are text.
        return float(value)
    if type(value) is not kind:
        raise TypeError(f"{value!r} is no {kind}")
    return value
