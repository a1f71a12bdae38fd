"""Commands on a study: new, check, run, plan, status."""

from __future__ import annotations

import dataclasses
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..words import counted
from .options import STI_ERROR, THREADS, out_folder, study_file, with_screen
from .screen import Screen

if TYPE_CHECKING:
    from ..results.status import Status
    from ..scene.findings import Finding


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@with_screen
def new(screen: Screen, folder: Path) -> None:
    """Write a small study with comments into a new folder.

    It is valid and runs in seconds. Change it step by step, and check it after each.

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
@click.argument("study", type=click.Path(path_type=Path), metavar="STUDY.toml")
@click.option("--strict", is_flag=True, help="Count warnings as errors.")
@with_screen
def check(screen: Screen, study: Path, strict: bool) -> int:
    """Say what is wrong with a study.

    Nothing is computed yet.

    Reads all files and the mesh: unit and axes, size, volume and areas, seats of every area, holes, turned and
    double faces, seats and sources outside the room, drape that crosses walls or keeps a zone from being clear,
    limits that scenarios break.
    Each finding says where it is and what to do. A venue file may be given instead, to check a mesh before there
    are loudspeakers and scenarios.

    \b
    Exit code 1 if there are errors (or, with --strict, warnings).
    Example:
      roomsim check hall/study.toml --strict
    """
    from .. import check as findings_of

    findings = findings_of(study)
    screen.give(findings=findings)
    if not screen.as_json:
        _print_findings(screen, findings)
    bad = ("error", "warning") if strict else ("error",)
    return int(any(finding.severity in bad for finding in findings))


@click.command()
@study_file
@out_folder("Where everything goes; STUDY.roomsim beside the study unless given.")
@click.option(
    "--sti-error",
    type=STI_ERROR,
    help="Standard error of the STI wanted at a seat, in place of the study's own.",
)
@click.option(
    "--threads", type=THREADS, help="Threads; all cores unless given. Results do not change."
)
@click.option("--fresh", is_flag=True, help="Trace again instead of using the paths kept by earlier runs.")
@click.option("--no-pictures", is_flag=True, help="Leave out maps and charts.")
@with_screen
def run(
    screen: Screen,
    study: Path,
    out: Path | None,
    sti_error: float | None,
    threads: int | None,
    fresh: bool,
    no_pictures: bool,
) -> int:
    """Compute a study, compare its scenarios, draw.

    What comes out, in the folder of the run:
    results.h5 with every figure at every seat and its standard error; pictures/ with maps and charts; tables/
    with CSV and JSON files; study/ with the files as they were run. The comparison is printed.

    Tracing goes on until the wanted precision is reached. Paths are kept: a run that was interrupted goes on
    where it was, and a run with other prices, noise or precision traces nothing again.
    Ctrl-C finishes and keeps the batches in flight and stops; a second Ctrl-C stops at once.

    \b
    Exit code 1 if the precision was not reached or a picture could not be drawn, 130 if the run was interrupted
    (143 by SIGTERM, which is treated like Ctrl-C).
    Examples:
      roomsim run hall/study.toml
      roomsim run hall/study.toml --sti-error 0.03        a quick look
      roomsim run hall/study.toml --json --quiet > comparison.json
    """
    from .running import run_and_report

    return run_and_report(screen, study, out, sti_error, threads, fresh, pictures=not no_pictures)


@click.command()
@click.argument("study", type=click.Path(path_type=Path), metavar="STUDY.toml|FOLDER")
@out_folder("Where everything goes; STUDY.roomsim beside the study unless given.")
@click.option(
    "--sti-error",
    type=STI_ERROR,
    help="Standard error of the STI wanted at a seat, in place of the study's own.",
)
@click.option(
    "--sets",
    "most_sets",
    type=click.IntRange(16, 65536),
    help="Sets of elements that are worked out at most, in place of the study's own number.",
)
@click.option(
    "--threads", type=THREADS, help="Threads; all cores unless given. Results do not change."
)
@click.option("--no-pictures", is_flag=True, help="Leave out the charts.")
@with_screen
def plan(
    screen: Screen,
    study: Path,
    out: Path | None,
    sti_error: float | None,
    most_sets: int | None,
    threads: int | None,
    no_pictures: bool,
) -> int:
    """Find what to hang: the best treatment for the money.

    Looks through the sets of elements that keep the study's limits (budget, hours, roof points, loads, stock,
    what goes with what), works them out on shared paths, traces the best ones anew, and says what is proposed,
    what the next money buys, what each line is worth, what to leave out first, and which surfaces the late
    sound comes off. The study's table [plan] says what may be chosen and what counts.

    What comes out, in the folder of the run: plan.h5 with the whole answer; tables/ with plan.json and
    plan_sets.csv; pictures/ with charts. The tables are printed. Given the folder of a run in place of the
    study, the plan that it holds is printed again.

    \b
    Exit code 1 if the precision was not reached or a picture could not be drawn, 130 if the search was interrupted
    (143 by SIGTERM, which is treated like Ctrl-C).
    Examples:
      roomsim plan hall/study.toml
      roomsim plan hall/study.toml --sets 200 --sti-error 0.02     a quicker look
    """
    from .running import plan_and_report, show_plan

    if study.is_dir():
        from .. import load_plan

        show_plan(screen, load_plan(study), folder=study)
        return 0
    return plan_and_report(screen, study, out, sti_error, most_sets, threads, pictures=not no_pictures)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER")
@with_screen
def status(screen: Screen, folder: Path) -> None:
    """Say what the folder of a run holds.

    How far it came, with which precision, and what is needed to repeat it. It does not matter whether the run
    is finished, interrupted or going on.
    """
    from .. import status as status_of

    known = status_of(folder)
    screen.give(**dataclasses.asdict(known))
    screen.line("\n".join(_status_lines(known)))


def _print_findings(screen: Screen, findings: list[Finding]) -> None:
    from rich.text import Text

    text = Text()
    for severity, style, words in _SEVERITIES:
        of_kind = [finding for finding in findings if finding.severity == severity]
        if not of_kind or (screen.quiet and severity == "note"):
            continue
        noun = severity if len(of_kind) == 1 else f"{severity}s"
        text.append(f"{len(of_kind)} {noun}", style).append(f": {words}\n")
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
    ("error", "bold red", "scenarios that they concern cannot be run"),
    ("warning", "bold yellow", "a run goes through, but its figures may be wrong"),
    ("note", "bold", "worth knowing"),
)


def _wrapped(text: str, head: str = "    ") -> str:
    return textwrap.fill(text, 100, initial_indent=head, subsequent_indent=" " * len(head)) + "\n"


def _status_lines(known: Status) -> Iterator[str]:
    from ..report.caveat_messages import caveat_messages

    yield f"{known.folder}: {known.batches_kept} batches of paths kept, {known.megabytes_kept:,.0f} MB"
    if not known.has_results:
        yield "No results yet: run the study again to go on."
        return
    yield f"{known.title}, {known.venue}: {counted(len(known.scenarios), 'scenario')} at {counted(known.seats, 'seat')}"
    yield from (f"  {name.replace('_', ' '):<20} {value}" for name, value in known.provenance.items())
    yield from (f"Warning: {text}" for text in caveat_messages(known.caveats, len(known.scenarios)))


COMMANDS = (new, check, run, plan, status)
