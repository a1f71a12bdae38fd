"""The command that sets computed beside measured: measured."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import click

from .display import Display
from .options import STI_ERROR, THREADS, with_screen
from .screen import Screen


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER")
@click.option(
    "--surfaces",
    metavar="SUBFOLDER",
    help="Take the surface tables from this folder in FOLDER; data sets often give several sets.",
)
@click.option(
    "--sti-error",
    type=STI_ERROR,
    help="Standard error of the STI wanted at a place, in place of the room's own.",
)
@click.option(
    "--threads", type=THREADS, help="Threads; all cores unless given. Results do not change."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.csv",
    help="Write every value to this file as well.",
)
@with_screen
def measured(
    screen: Screen,
    folder: Path,
    surfaces: str | None,
    sti_error: float | None,
    threads: int | None,
    out: Path | None,
) -> int:
    """Set what is computed for a measured room beside what was measured.

    FOLDER holds a room.toml that names the mesh, the surface tables, the places of sources and receivers and
    the table of measured values; docs/measured_rooms.md explains it. Differences are printed in just
    noticeable differences.

    \b
    Exit code 1 if the precision was not reached.
    Examples:
      roomsim measured seminar_room
      roomsim measured seminar_room --surfaces fitted --out comparison.csv
    """
    from .. import measured as compare
    from ..report.measured import MeasuredTable, write_measured

    with Display(screen) as display:
        found = compare(
            folder, surface_folder=surfaces, sti_error=sti_error, threads=threads, progress=display
        )
    screen.show(MeasuredTable(found))
    if out is not None:
        write_measured(found, out)
        screen.remark(f"Written: {out}")
    content = dataclasses.asdict(found)
    content["rows"] = [{**dataclasses.asdict(row), "difference": row.difference} for row in found.rows]
    screen.give(**content)
    return 0 if found.precision_met else 1


COMMANDS = (measured,)
