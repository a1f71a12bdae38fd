"""Commands that read a finished study: compare, maps, charts, export."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from .options import finished, out_folder, picture_formats, with_screen
from .screen import Screen


@click.command()
@finished
@click.option(
    "--statistics", is_flag=True,
    help="Print statistical estimates of the reverberation times beside the traced ones instead.",
)
@with_screen
def compare(screen: Screen, results: Path, statistics: bool) -> None:
    """Print the comparison of all scenarios.

    For each scenario: STI of the median seat and of the worst tenth, share of seats served, reverberation,
    cost, and the gain over the scenario that it is compared with, with 95 % intervals. Differences are
    far more precise than the values themselves, because all scenarios share the same traced paths.

    RESULTS is the folder of a run, or the results.h5 in it.
    """
    from .. import compare as comparison_of
    from .. import load
    from .. import statistics as statistics_of
    from ..report.export import comparison_object

    study = load(results)
    screen.give(comparison=comparison_object(study))
    screen.show(statistics_of(study) if statistics else comparison_of(study))


@click.command()
@finished
@click.option(
    "--quantity", "quantities", multiple=True, default=("STI",), show_default=True, metavar="SYMBOL",
    help="What the maps show; see `roomsim quantities`. May be given more than once.",
)
@click.option(
    "--band", type=float, metavar="HZ",
    help="Octave band, for quantities per band; by default the mean of 500 Hz and 1 kHz.",
)
@click.option("--scenario", "scenarios", multiple=True, metavar="NAME", help="Only these scenarios.")
@picture_formats
@out_folder("Folder for the maps; by default the folder pictures in that of the run.")
@with_screen
def maps(screen: Screen, results: Path, scenarios: tuple[str, ...], out: Path | None, **options: Any) -> None:
    """Draw plans of the audience coloured by a quantity.

    A sheet with all scenarios on one scale, a sheet with all gains, and a page for each scenario, numbered as in
    the comparison. Seats whose gain is within its Monte Carlo error are hatched; seats whose standard error is as
    large as a step of the colour scale have a dot. Each tier of the audience, such as a gallery, has its own plan.

    \b
    Examples:
      roomsim maps hall.roomsim
      roomsim maps hall.roomsim --quantity C50 --quantity LpA --format svg
      roomsim maps hall.roomsim --quantity T20 --band 125 --scenario "back wall"
    """
    from .. import maps as draw_maps

    folder = out or _folder_beside(results, "pictures")
    screen.files(draw_maps(results, folder, scenarios=scenarios or None, **options))


@click.command()
@finished
@picture_formats
@out_folder("Folder for the charts; by default the folder pictures in that of the run.")
@with_screen
def charts(screen: Screen, results: Path, formats: tuple[str, ...], out: Path | None) -> None:
    """Draw the charts of a finished study.

    The charts show reverberation per octave band with statistical estimates; STI of the median seat and of the
    worst tenth with cost; gain against cost; and the distribution of the STI over the seats.
    """
    from .. import charts as draw_charts

    screen.files(draw_charts(results, out or _folder_beside(results, "pictures"), formats=formats))


@click.command()
@finished
@out_folder("Folder for the files; by default the folder tables in that of the run.")
@with_screen
def export(screen: Screen, results: Path, out: Path | None) -> None:
    """Write all figures as CSV and JSON files, for spreadsheets and other programs."""
    from .. import export as write_tables

    screen.files(write_tables(results, out or _folder_beside(results, "tables")))


def _folder_beside(results: Path, name: str) -> Path:
    """A folder in the folder of a run; `results` is that folder or the results file in it."""
    return (results if results.is_dir() else results.parent) / name
