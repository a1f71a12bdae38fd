"""The command on the sound system: system."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from .options import Number, no_pictures, out_folder, picture_formats, study_file, with_screen
from .screen import Screen


@click.command()
@study_file
@click.option("--scenario", metavar="NAME", help="Whose sources and elements; the first listed unless given.")
@click.option("--aim", "aim_hangs", is_flag=True, help="Find angles for the hangs that play; some ten seconds each.")
@click.option(
    "--spread", type=Number(0.5, 30.0), default=6.0, show_default=True, metavar="DB",
    help="With --aim: level difference within which nine in ten seats shall lie, 500 Hz to 4 kHz.",
)
@click.option(
    "--splays", default="0,1,2,3,4,5,7,10", show_default=True, metavar="DEGREES",
    help="With --aim: angles between boxes that the rigging has.",
)
@click.option(
    "--offset", type=Number(0.0, 50.0), default=10.0, show_default=True, metavar="MS",
    help="Time by which fills and delays follow the mains.",
)
@picture_formats
@out_folder("Where the figures go; STUDY.system beside the study unless given.")
@no_pictures
@with_screen
def system(
    screen: Screen,
    study: Path,
    scenario: str | None,
    splays: str,
    offset: float,
    formats: tuple[str, ...],
    out: Path | None,
    no_pictures: bool,
    **aiming: Any,
) -> None:
    """Report what the sound system of a study does, and draw it.

    Where the energy goes: the share that first arrives at audience, stage, walls and roof. A table of
    channels with proposed delays, ready to type in. Levels over the seats, which source is heard first, how bass
    is distributed and how much of it remains on stage, headroom, loads, published limits of exposure.

    Sound is traced to its first surface only; the room is an estimate here. `roomsim run` traces it.

    \b
    Examples:
      roomsim system hall/study.toml
      roomsim system hall/study.toml --scenario "add delay pair" --aim --splays 0,2,4,6,8,10
      roomsim system hall/study.toml --json --no-pictures > system.json
    """
    from .. import system_pictures, system_report
    from ..report.system_object import system_object
    from ..report.system_tables import system_table

    report = system_report(study, scenario, splays=_angles(splays), offset=offset / 1000.0, **aiming)
    screen.show(system_table(report))
    folder = out or study.with_suffix(".system")
    paths = [] if no_pictures else system_pictures(report, folder, formats=formats)
    screen.give(system=system_object(report), files=paths)
    for path in paths:
        screen.remark(str(path))


def _angles(text: str) -> tuple[float, ...]:
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        fault = f"expected numbers separated by commas, got {text!r}"
        raise click.BadParameter(fault, param_hint="--splays") from None
    if not all(0.0 <= number <= 30.0 for number in numbers):
        raise click.BadParameter("angles must lie between 0 and 30 degrees", param_hint="--splays")
    return numbers
