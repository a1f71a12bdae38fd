"""What the command `run` does: compute, print, draw, and say where everything is."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from .display import Display
from .screen import Screen

if TYPE_CHECKING:
    from ..planning.results import PlanResults

PRECISION_MISSED = 1


def is_compiled() -> bool:
    """Whether an earlier run has left its compiled engine where this one will look for it first."""
    elsewhere = os.environ.get("NUMBA_CACHE_DIR")
    if elsewhere:
        return any(Path(elsewhere).rglob("tracing*/_paths*.compiled"))
    return any(Path(__file__).parents[1].glob("tracing/__pycache__/_paths*.compiled"))


@contextmanager
def at_work(screen: Screen, folder: Path) -> Iterator[Display]:
    """Display of a computation that traces into `folder`; says what compiling costs, and what Ctrl-C leaves."""
    if not is_compiled():
        screen.remark(
            "First run here: the engine is compiled, which takes up to a minute. Later runs start at once."
        )
    try:
        with Display(screen) as display:
            yield display
    except KeyboardInterrupt:
        screen.warn(f"what was traced is kept in {folder}; the same command goes on from there.")
        raise


def plan_and_report(
    screen: Screen,
    study: Path,
    out: Path | None,
    sti_error: float | None,
    most_sets: int | None,
    threads: int | None,
    *,
    pictures: bool,
) -> int:
    """Search for the best treatment and write everything that comes out of it; return the exit code."""
    from .. import export_plan, plan, plan_charts, plan_tables
    from ..results.folder import default_folder
    from ..results.plain import to_plain

    folder = out or default_folder(study)
    with at_work(screen, folder) as display:
        results = plan(
            study, folder, sti_error=sti_error, most_sets=most_sets, threads=threads, progress=display
        )
    files = [folder / "plan.h5", *export_plan(results, folder / "tables")]
    screen.show(plan_tables(results))
    if pictures:
        screen.remark("Drawing ...")
        files += plan_charts(results, folder / "pictures")
    screen.give(plan=to_plain(results), folder=folder, files=files)
    screen.remark(f"Everything is in {folder}: plan.h5, tables{', pictures' if pictures else ''}.")
    return 0 if results.provenance.get("precision_met") == "yes" else PRECISION_MISSED


def show_plan(screen: Screen, results: PlanResults, **more: object) -> None:
    """Print the answer of a search."""
    from .. import plan_tables
    from ..results.plain import to_plain

    screen.show(plan_tables(results))
    screen.give(plan=to_plain(results), **more)


def run_and_report(
    screen: Screen,
    study: Path,
    out: Path | None,
    sti_error: float | None,
    threads: int | None,
    fresh: bool,
    *,
    pictures: bool,
) -> int:
    """Run a study and write everything that comes out of it; return the exit code."""
    from .. import compare, export
    from .. import run as run_study
    from ..report.export import comparison_object
    from ..results.folder import default_folder

    folder = out or default_folder(study)
    with at_work(screen, folder) as display:
        results = run_study(
            study, folder, sti_error=sti_error, threads=threads, fresh=fresh, progress=display
        )
    files = [folder / "results.h5", *export(results, folder / "tables")]
    screen.show(compare(results))
    if pictures:
        from ..report.figures import chart_pictures
        from ..report.pages import map_pictures
        from ..report.pictures import write_pictures

        screen.remark("Drawing maps and charts ...")
        drawn = [*map_pictures(results), *chart_pictures(results)]
        files += write_pictures(results, drawn, folder / "pictures", processes=threads)
    is_met = results.provenance.get("precision_met") == "yes"
    screen.give(
        folder=folder,
        precision_met=is_met,
        comparison=comparison_object(results),
        files=files,
    )
    screen.remark(f"Everything is in {folder}: results.h5, tables{', pictures' if pictures else ''}.")
    return 0 if is_met else PRECISION_MISSED
