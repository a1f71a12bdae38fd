"""The file plan.h5 in the folder of a run: the results of a search, with a checksum like all files there.

Its records are one JSON text, since they are lists of different structures that do not fit into tables of numbers.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from ..errors import StoreError
from ..files import replace_file
from ..results import hdf5
from ..results.folder import PLAN
from ..results.plain import from_plain, to_plain
from .results import PlanResults

KIND = "roomsim plan"
SCHEMA = 4


def write_plan(path: Path, results: PlanResults) -> None:
    """Replace the plan file at `path`.

    Raises
    ------
    StoreError : the disk is full or cannot be written; an older file at `path` then remains unchanged
    """
    text = json.dumps(to_plain(results), ensure_ascii=False, allow_nan=False)

    def fill(file: Any) -> None:
        for name in ("title", "venue", "currency"):
            file.attrs[name] = getattr(results, name)
        dataset = file.create_dataset("plan", data=text, dtype=hdf5.TEXT)
        dataset.attrs["long_name"] = "JSON: the results of the search"

    replace_file(path, hdf5.file_image(KIND, SCHEMA, fill))


def load_plan(results: PlanResults | str | Path) -> PlanResults:
    """Read the results of a search. Results that are already loaded are returned unchanged.

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
            return from_plain(PlanResults, hdf5.parsed(hdf5.text(file, "plan"), "plan"))
    except hdf5.UNREADABLE as fault:
        reason = fault if isinstance(fault, hdf5.ContentError) else "not a complete plan file"
        raise StoreError(
            f"cannot be read as a plan file: {reason}", file=path, cure="Search again to write a new one."
        ) from fault
