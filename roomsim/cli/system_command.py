"""The command on the sound system: system."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from .options import Number, no_pictures, out_folder, picture_formats, study_file, with_screen
from .screen import Screen


@click.command()
@study_file
@click.option("--scenario", metavar="NAME", help="Scenario to analyse; by default the first one listed.")
@click.option("--aim", "aim_hangs", is_flag=True, help="Find angles for the hangs in use, in about ten seconds each.")
@click.option(
    "--spread", type=Number(0.5, 30.0), default=6.0, show_default=True, metavar="DB",
    help="With --aim: range of levels that is to contain nine in ten seats, 500 Hz to 4 kHz.",
)
@click.option(
    "--splays", default="0,1,2,3,4,5,7,10", show_default=True, metavar="DEGREES",
    help="With --aim: angles between boxes that the rigging hardware allows.",
)
@click.option(
    "--offset", type=Number(0.0, 50.0), default=10.0, show_default=True, metavar="MS",
    help="Time by which fills and delays arrive after the mains.",
)
@picture_formats
@out_folder("Folder for the figures; by default STUDY.system beside the study.")
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
    """Analyse the sound system of a study, and draw it.

    Reports the shares of the energy that first arrive at audience, stage, walls and roof; a table of channels with
    proposed delays, ready to be entered; the levels over the seats; the source that is heard first at each seat; the
    distribution of bass over the seats and its level on stage; headroom; loads; and published exposure limits.

    Sound is traced only to the first surface that it meets, and the reverberation is a statistical estimate.
    `roomsim run` traces the reverberation.

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
