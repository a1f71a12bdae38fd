"""The command that compares computed with measured values: measured."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import click

from .display import computing
from .options import PATH, computation, with_screen
from .screen import Screen


@click.command()
@click.argument("folder", type=PATH, metavar="FOLDER")
@click.option(
    "--surfaces", "surface_folder", metavar="SUBFOLDER",
    help="Take the surface tables from this folder in FOLDER; data sets often give several sets.",
)
@computation
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE.csv",
    help="Write every value to this file as well.",
)
@with_screen
def measured(screen: Screen, folder: Path, out: Path | None, **options: Any) -> int:
    """Compare what is computed for a measured room with what was measured.

    FOLDER holds a room.toml that names the mesh, the surface tables, the positions of sources and receivers and
    the table of measured values; docs/measured_rooms.md explains it. Differences are printed in just
    noticeable differences.

    \b
    Exit code 1 if the precision was not reached.
    Examples:
      roomsim measured seminar_room
      roomsim measured seminar_room --surfaces fitted --out comparison.csv
    """
    from .. import measured as compute
    from ..report.measured import MeasuredTable, write_measured

    with computing(screen) as display:
        found = compute(folder, progress=display, **options)
    screen.show(MeasuredTable(found))
    if out is not None:
        write_measured(found, out)
        screen.remark(f"Written: {out}")
    content = dataclasses.asdict(found)
    content["rows"] = [{**dataclasses.asdict(row), "difference": row.difference} for row in found.rows]
    screen.give(**content)
    return 0 if found.precision_met else 1
