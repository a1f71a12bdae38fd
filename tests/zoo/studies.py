"""All studies, those under geometry/ and the halls of the zoo, copied and reduced in precision."""

from __future__ import annotations

import math
import shutil
import tomllib
from pathlib import Path
from typing import Any

from venues import toml_text

from .halls import HALLS, write_hall

GEOMETRY = Path(__file__).parents[2] / "geometry"
MOST_SEATS = 10
"""Approximate number of seats of an area when the precision is reduced."""


def _is_study(path: Path) -> bool:
    return "scenario" in tomllib.loads(path.read_text("utf-8"))


DEMOS = tuple(path.relative_to(GEOMETRY).as_posix() for path in sorted(GEOMETRY.rglob("*.toml")) if _is_study(path))
"""Every file under geometry/ that lists scenarios."""
STUDIES = (*DEMOS, *HALLS)


def copy_study(name: str, folder: Path) -> Path:
    """Copy a demo study with the other files in its folder, or write a hall; return the path of the study file."""
    if name in HALLS:
        return write_hall(name, folder / name)
    source = GEOMETRY / name
    shutil.copytree(source.parent, folder / source.parent.name, ignore=shutil.ignore_patterns("*.roomsim", "*.system"))
    return folder / source.parent.name / source.name


def at_low_precision(study: Path, draws: int = 0) -> Path:
    """Rewrite a study for few rays and few seats, with everything else unchanged. Return its path."""
    document = _read(study)
    document["precision"] = {"sti": 0.2}
    document["uncertainty"] = {"draws": draws}
    _write(study, document)
    venue_path = study.parent / document["venue"]
    venue = _read(venue_path)
    for area in venue["audience"]:
        if "polygon" in area:
            spacing = area.get("seat_spacing", (0.8, 0.9))
            wider = math.sqrt(max(1.0, _plan_area(area["polygon"]) / spacing[0] / spacing[1] / MOST_SEATS))
            area["seat_spacing"] = [wider * spacing[0], wider * spacing[1]]
    _write(venue_path, venue)
    return study


def _plan_area(polygon: list[list[float]]) -> float:
    pairs = zip(polygon, polygon[1:] + polygon[:1])
    return abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in pairs)) / 2.0


def _read(path: Path) -> dict[str, Any]:
    return tomllib.loads(path.read_text("utf-8"))


def _write(path: Path, document: dict[str, Any]) -> None:
    path.write_text(toml_text(document), encoding="utf-8")
