"""Commands on a study: new, check, run, plan, status."""

from __future__ import annotations

import dataclasses
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..words import counted
from .display import computing
from .options import PATH, computation, no_pictures, out_folder, study_file, with_screen
from .screen import Screen

if TYPE_CHECKING:
    from ..results.status import Status
    from ..scene.findings import Finding

PRECISION_MISSED = 1

run_folder = out_folder("Folder of the run; by default STUDY.roomsim beside the study.")


@click.command()
@click.argument("folder", type=PATH)
@with_screen
def new(screen: Screen, folder: Path) -> None:
    """Write a small study with comments into a new folder.

    It is valid and runs in seconds. Change it step by step, and check it after each change.

    \b
    Example:
      roomsim new hall && roomsim run hall/study.toml
    """
    from .. import new_study

    path = new_study(folder)
    screen.give(study=path)
    screen.line(path)
    screen.remark(f"Next: roomsim check {path}")


@click.command()
@study_file
@click.option("--strict", is_flag=True, help="Count warnings as errors.")
@with_screen
def check(screen: Screen, study: Path, strict: bool) -> int:
    """Find what is wrong with a study before anything is computed.

    Checks all files and the mesh: unit and axes, size, volume and areas, seats of every area, holes, inverted and
    duplicate faces, seats and sources outside the room, drape that crosses walls or blocks a zone to be kept clear,
    limits that scenarios exceed.
    Each finding states where it is and what to do. A venue file may be checked as well, before loudspeakers and
    scenarios have been described.

    \b
    Exit code 1 if there are errors (or, with --strict, warnings).
    Example:
      roomsim check hall/study.toml --strict
    """
    from .. import check as check_study

    findings = check_study(study)
    screen.give(findings=findings)
    if not screen.as_json:
        _print_findings(screen, findings)
    bad = ("error", "warning") if strict else ("error",)
    return int(any(finding.severity in bad for finding in findings))


@click.command()
@study_file
@run_folder
@computation
@click.option("--fresh", is_flag=True, help="Trace again instead of using the stored paths of earlier runs.")
@no_pictures
@with_screen
def run(screen: Screen, study: Path, out: Path | None, no_pictures: bool, **options: Any) -> int:
    """Compute a study, compare its scenarios, draw maps and charts.

    The folder of the run then contains results.h5 with every figure at every seat and its standard error; pictures/
    with maps and charts; tables/ with CSV and JSON files; and study/ with copies of the input files. The comparison
    is printed.

    Tracing continues until the required precision is reached. The traced paths are stored: an interrupted run
    resumes where it stopped, and a run with different prices, noise or precision uses the stored paths again.
    After Ctrl-C the batches in progress are finished and saved; a second Ctrl-C stops at once.

    \b
    Exit code 1 if the precision was not reached or a picture could not be drawn, 130 if the run was interrupted
    (143 by SIGTERM, which is treated like Ctrl-C).
    Examples:
      roomsim run hall/study.toml
      roomsim run hall/study.toml --sti-error 0.03        a quick look
      roomsim run hall/study.toml --json --quiet > comparison.json
    """
    from .. import compare, export
    from .. import run as compute
    from ..report.export import comparison_object
    from ..results.folder import default_folder

    folder = out or default_folder(study)
    with computing(screen, folder) as display:
        results = compute(study, folder, progress=display, **options)
    files = [folder / "results.h5", *export(results, folder / "tables")]
    screen.show(compare(results))
    if not no_pictures:
        from ..report.figures import chart_pictures
        from ..report.pages import map_pictures
        from ..report.pictures import write_pictures

        screen.remark("Drawing maps and charts ...")
        drawn = [*map_pictures(results), *chart_pictures(results)]
        files += write_pictures(results, drawn, folder / "pictures", processes=options["threads"])
    is_met = results.provenance.get("precision_met") == "yes"
    screen.give(folder=folder, precision_met=is_met, comparison=comparison_object(results), files=files)
    return _finish(screen, folder, "results.h5", no_pictures, is_met)


@click.command()
@click.argument("study", type=PATH, metavar="STUDY.toml|FOLDER")
@run_folder
@computation
@click.option(
    "--sets", "most_sets", type=click.IntRange(16, 65536),
    help="Largest number of sets of elements to evaluate, in place of the number in the study.",
)
@no_pictures
@with_screen
def plan(screen: Screen, study: Path, out: Path | None, no_pictures: bool, **options: Any) -> int:
    """Find the best treatment within the limits of the study.

    Searches the sets of elements that comply with the study's limits (budget, hours, roof points, loads, stock,
    combinations), evaluates them with the same traced paths and traces the best sets again. Reports the proposed
    set, the improvement that a larger budget would bring, the contribution of each element, which element to omit
    first, and which surfaces the late sound comes from. The table [plan] of the study lists the candidates and the
    goals.

    The folder of the run then contains plan.h5 with all results; tables/ with plan.json and plan_sets.csv; and
    pictures/ with charts. The tables are printed. If the argument is the folder of a run, the plan stored in it is
    printed again.

    \b
    Exit code 1 if the precision was not reached or a picture could not be drawn, 130 if the search was interrupted
    (143 by SIGTERM, which is treated like Ctrl-C).
    Examples:
      roomsim plan hall/study.toml
      roomsim plan hall/study.toml --sets 200 --sti-error 0.02     a quicker look
    """
    from .. import export_plan, load_plan, plan_charts, plan_tables
    from ..results.folder import default_folder
    from ..results.plain import to_plain

    if study.is_dir():
        results = load_plan(study)
        screen.show(plan_tables(results))
        screen.give(plan=to_plain(results), folder=study)
        return 0
    # The search loads the engines, which readers of a finished plan do without.
    from .. import plan as search

    folder = out or default_folder(study)
    with computing(screen, folder) as display:
        results = search(study, folder, progress=display, **options)
    files = [folder / "plan.h5", *export_plan(results, folder / "tables")]
    screen.show(plan_tables(results))
    if not no_pictures:
        screen.remark("Drawing ...")
        files += plan_charts(results, folder / "pictures")
    screen.give(plan=to_plain(results), folder=folder, files=files)
    return _finish(screen, folder, "plan.h5", no_pictures, results.provenance.get("precision_met") == "yes")


@click.command()
@click.argument("folder", type=PATH, metavar="FOLDER")
@with_screen
def status(screen: Screen, folder: Path) -> None:
    """Show the state of a run from its folder.

    Prints whether the run is finished, interrupted or in progress, the precision reached so far, and the data
    needed to repeat it.
    """
    from .. import status as status_of

    state = status_of(folder)
    screen.give(**dataclasses.asdict(state))
    screen.line("\n".join(_status_lines(state)))


def _finish(screen: Screen, folder: Path, file: str, no_pictures: bool, precision_met: bool) -> int:
    """Print where the results are; return the exit code."""
    screen.remark(f"The results are in {folder}: {file}, tables{'' if no_pictures else ', pictures'}.")
    return 0 if precision_met else PRECISION_MISSED


def _print_findings(screen: Screen, findings: list[Finding]) -> None:
    from rich.text import Text

    text = Text()
    for severity, style, meaning in _SEVERITIES:
        of_kind = [finding for finding in findings if finding.severity == severity]
        if not of_kind or (screen.quiet and severity == "note"):
            continue
        text.append(counted(len(of_kind), severity), style).append(f": {meaning}\n")
        for finding in of_kind:
            text.append(f"  {finding.place}", "bold").append(f"  [{finding.code}]\n", "dim")
            text.append(_wrapped(finding.text))
            if finding.position is not None and "(" not in finding.text:
                text.append(_wrapped("at " + ", ".join(f"{x:.2f}" for x in finding.position) + " m"))
            if finding.cure:
                text.append(_wrapped(finding.cure, "    -> "))
        text.append("\n")
    if not any(finding.severity != "note" for finding in findings):
        text.append("No errors and no warnings.\n", "bold green")
    text.rstrip()
    screen.show(text)


_SEVERITIES = (
    ("error", "bold red", "the scenarios concerned cannot be run"),
    ("warning", "bold yellow", "a run is possible, but its figures may be wrong"),
    ("note", "bold", "for your information"),
)


def _wrapped(text: str, head: str = "    ") -> str:
    return textwrap.fill(text, 100, initial_indent=head, subsequent_indent=" " * len(head)) + "\n"


def _status_lines(state: Status) -> Iterator[str]:
    from ..report.caveat_messages import caveat_messages

    yield f"{state.folder}: {state.batches_kept} stored batches of paths, {state.megabytes_kept:,.0f} MB"
    if not state.has_results:
        yield "There are no results yet: run the study again to resume."
        return
    yield f"{state.title}, {state.venue}: {counted(len(state.scenarios), 'scenario')} at {counted(state.seats, 'seat')}"
    yield from (f"  {name.replace('_', ' '):<20} {value}" for name, value in state.provenance.items())
    yield from (f"Warning: {text}" for text in caveat_messages(state.caveats, len(state.scenarios)))
