"""The command that compares computed with measured values of a room: measured."""

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
    help="Take the surface tables from this folder in FOLDER; data sets often contain several sets.",
)
@computation
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE.csv",
    help="Write every value to this file as well.",
)
@with_screen
def measured(screen: Screen, folder: Path, out: Path | None, **options: Any) -> int:
    """Compare computed with measured values of a room.

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
        comparison = compute(folder, progress=display, **options)
    screen.show(MeasuredTable(comparison))
    if out is not None:
        write_measured(comparison, out)
        screen.remark(f"Written: {out}")
    content = dataclasses.asdict(comparison)
    content["rows"] = [{**dataclasses.asdict(row), "difference": row.difference} for row in comparison.rows]
    screen.give(**content)
    return 0 if comparison.precision_met else 1
