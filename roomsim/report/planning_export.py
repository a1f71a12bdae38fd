"""The answer of a search as files for spreadsheets and other programs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from ..planning.plan_file import load_plan
from ..planning.results import PlanResults
from ..results.plain import to_plain
from .export import Cell, csv_bytes, json_bytes, write_files
from .planning_tables import plan_tables


def export_plan(results: PlanResults | str | Path, folder: str | Path) -> list[Path]:
    """Write plan.json with the whole answer, plan_sets.csv with every set evaluated, plan.txt with the tables.

    Raises
    ------
    StoreError : the folder cannot be made or written
    """
    results = load_plan(results)
    contents = {
        "plan.json": json_bytes(to_plain(results)),
        "plan_sets.csv": csv_bytes(sets_table(results)),
        "plan.txt": plan_tables(results).text().encode(),
    }
    return write_files(Path(folder), contents)


def sets_table(results: PlanResults) -> Iterator[list[Cell]]:
    """Head and rows of plan_sets.csv: a column for each candidate, 1 where it is in; cheapest sets first."""
    names = [candidate.name for candidate in results.candidates]
    measures = [
        f"{measure.label}{f', {measure.unit}' if measure.unit not in ('', '%') else ''}"
        for measure in results.measures
    ]
    yield [
        *names,
        f"cost, {results.currency}",
        "keeps the limits (budget apart)",
        "within the budget",
        *measures,
    ]
    for one in sorted(results.evaluated, key=lambda one: one.cost):
        yield [
            *((one.number >> i) & 1 for i in range(len(names))),
            one.cost,
            int(one.is_allowed),
            int(results.is_within_budget(one.cost)),
            *(one.values[measure.name] for measure in results.measures),
        ]
