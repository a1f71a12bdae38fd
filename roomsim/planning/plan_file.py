"""The file plan.h5 in the folder of a run: the answer of a search, sealed like all files there.

Its records are one JSON text: they are lists of unlike things, for which tables of numbers are no good.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ConfigDict, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as checked

from ..errors import StoreError
from ..files import replace_file
from ..scene.drawing import PlanDrawing, Tier
from ..study import hdf5
from ..study.folder import PLAN
from .results import PlanResults

KIND = "roomsim plan"
SCHEMA = 2
_NOT_EVALUABLE = "nan"
"""JSON knows no such number; readers of the text meet it as a text."""


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


def load_plan(path: Path) -> PlanResults:
    """Read the answer of a search.

    Parameters
    ----------
    path : plan file, or the folder of a run that holds one

    Raises
    ------
    StoreError : there is none, it is damaged, or a newer program wrote it
    """
    path = path / PLAN if path.is_dir() else path
    if not path.exists():
        raise StoreError("there is no plan", file=path, cure="Search first: roomsim plan STUDY.toml.")
    try:
        with hdf5.open_checked(path, KIND, SCHEMA) as file:
            return _read(hdf5.parsed(hdf5.text(file, "plan"), "plan"))
    except (*hdf5.UNREADABLE, ValidationError) as fault:
        reason = fault if isinstance(fault, hdf5.ContentError) else "not a whole plan file"
        raise StoreError(
            f"is no plan file that can be read: {reason}", file=path, cure="Search again to write it anew."
        ) from fault


def as_plain(results: PlanResults) -> dict[str, Any]:
    """The answer as JSON knows it; "nan" where there is no figure."""
    return _plain(asdict(results))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return _NOT_EVALUABLE if math.isnan(value) else str(value)
    return value


def _read(content: dict[str, Any]) -> PlanResults:
    drawing = _drawing(content.pop("drawing"))
    known = TypeAdapter(_Checked).validate_python({**content, "drawing": drawing})
    return PlanResults(**{name: getattr(known, name) for name in PlanResults.__dataclass_fields__})


_Checked: Any = checked(
    PlanResults, frozen=True, config=ConfigDict(arbitrary_types_allowed=True, extra="forbid")
)


def _drawing(found: dict[str, Any]) -> PlanDrawing:
    def points(line: Any) -> np.ndarray:
        return np.array(line, dtype=np.float64).reshape(-1, 2)

    stage, north = found["stage"], found["north"]
    return PlanDrawing(
        tiers=tuple(
            Tier(
                areas=tuple(int(i) for i in tier["areas"]),
                walls=tuple(points(line) for line in tier["walls"]),
                laid={name: tuple(points(line) for line in lines) for name, lines in tier["laid"].items()},
            )
            for tier in found["tiers"]
        ),
        elements={name: tuple(points(line) for line in lines) for name, lines in found["elements"].items()},
        zones={name: points(line) for name, line in found["zones"].items()},
        sources={name: points([point])[0] for name, point in found["sources"].items()},
        noise=tuple(str(name) for name in found["noise"]),
        stage=None if stage is None else (float(stage[0]), float(stage[1])),
        north=None if north is None else float(north),
    )
