"""The result of a search as files for spreadsheets and other programs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from ..planning.plan_file import load_plan
from ..planning.results import PlanResults
from ..results.plain import to_plain
from .export import Cell, csv_bytes, json_bytes, write_files
from .planning_tables import plan_tables


def export_plan(results: PlanResults | str | Path, folder: str | Path) -> list[Path]:
    """Write plan.json with the complete result, plan_sets.csv with every evaluated set, and plan.txt with the tables.

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
    """Head and rows of plan_sets.csv, cheapest sets first. A candidate's column is 1 if the set contains it, else 0."""
    names = [candidate.name for candidate in results.candidates]
    measures = [
        f"{measure.label}{f', {measure.unit}' if measure.unit not in ('', '%') else ''}"
        for measure in results.measures
    ]
    yield [*names, f"cost, {results.currency}", "keeps the limits (budget apart)", "within the budget", *measures]
    for one in sorted(results.evaluated, key=lambda one: one.cost):
        members = ((one.number >> i) & 1 for i in range(len(names)))
        yield [
            *members, one.cost, int(one.is_allowed), int(results.is_within_budget(one.cost)),
            *(one.values[measure.name] for measure in results.measures),
        ]  # fmt: skip
