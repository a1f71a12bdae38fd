"""The answer of a search for a terminal or a text file."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console, ConsoleOptions, Group, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from ..planning.plan_file import load_plan
from ..planning.results import PlanResults
from .caveat_messages import caveat_messages
from .planning_sheets import Sheet, plan_sheets
from .planning_words import plan_cautions, search_notes, summary
from .printing import PrintedTable, bullets, clean, new_table, plain_text


class PlanTables(PrintedTable):
    """The answer of a search. Printed with rich it fits the width there is; `text` gives plain text."""

    def __init__(self, results: PlanResults):
        self.results = results
        self.sheets = tuple(plan_sheets(results))

    def text(self, width: int = 120) -> str:
        """Plain text, at most `width` columns wide."""
        return super().text(width)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        results = self.results
        yield Text(f"{clean(results.title)} · {clean(results.venue)}", "bold")
        yield Padding(Text("\n".join(summary(results))), (1, 0))
        for sheet in self.sheets:
            yield _with_title_and_note(sheet)
        yield bullets("How near this is to the best possible set", search_notes(results))
        yield bullets("Warnings", [clean(text) for text in caveat_messages(results.caveats, 0)])
        yield bullets("Before you act on this", plan_cautions(results))


def plan_tables(results: PlanResults | str | Path) -> PlanTables:
    """The answer of a search as tables: print them, or take their `sheets`.

    Parameters
    ----------
    results : the answer, the folder of a run, or the plan.h5 in it

    Raises
    ------
    StoreError : there is no plan at that path
    """
    return PlanTables(load_plan(results))


def sheet_text(sheet: Sheet, width: int) -> str:
    """One table with its title and note as plain text, at most `width` columns wide."""
    return plain_text(_with_title_and_note(sheet), width)


def _with_title_and_note(sheet: Sheet) -> Group:
    note = Padding(Text(sheet.note, "dim"), (0, 0, 1, 0)) if sheet.note else Text("")
    return Group(Text(sheet.title, "bold"), _table(sheet), note)


def _table(sheet: Sheet) -> Table:
    table = new_table()
    for i, head in enumerate(sheet.heads):
        is_words = i < sheet.n_left
        table.add_column(
            Text(head),
            justify="left" if is_words else "right",
            no_wrap=not is_words,
            overflow="fold",
            min_width=14 if is_words and i == 0 else None,
        )
    for i, row in enumerate(sheet.rows):
        table.add_row(*(Text(clean(cell)) for cell in row), style="bold" if i in sheet.strong else None)
    return table
