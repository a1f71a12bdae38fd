"""Tables for terminals and text files."""

from __future__ import annotations

import io
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass

from rich import box
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from ..errors import unprintable


class PrintedTable:
    """Base class of tables. Printed with rich they fit the available width; `text` returns plain text."""

    def parts(self, width: int) -> Iterator[RenderableType]:
        """The texts and tables to be printed one below the other, at most `width` columns wide."""
        raise NotImplementedError

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield from self.parts(options.max_width)

    def text(self, width: int = 100) -> str:
        """Plain text, at most `width` columns wide."""
        written = io.StringIO()
        console = Console(
            file=written, width=width, color_system=None, force_terminal=False, highlight=False, legacy_windows=False
        )
        console.print(self, markup=False)
        return "\n".join(line.rstrip() for line in written.getvalue().rstrip().splitlines()) + "\n"

    def __str__(self) -> str:
        return self.text()


@dataclass(frozen=True)
class TitledTable(PrintedTable):
    """A table of texts with a title above it and a note below it."""

    title: str
    heads: Sequence[str]
    rows: Sequence[Sequence[str]]
    n_names: int = 1
    """Number of columns from the left that hold names or sentences; the others hold numbers."""
    note: str = ""
    bold_rows: Collection[int] = ()

    def parts(self, width: int) -> Iterator[RenderableType]:
        yield Text(self.title, "bold")
        yield table_of(self.heads, self.rows, self.n_names, 14, self.bold_rows)
        yield below(Text(self.note, "dim")) if self.note else Text("")


def table_of(
    heads: Iterable[str],
    rows: Iterable[Sequence[str]],
    n_names: int = 1,
    min_width: int | None = None,
    bold_rows: Collection[int] = (),
    wrap_numbers: bool = False,
) -> Table:
    """A table of texts; names and sentences are wrapped.

    Parameters
    ----------
    n_names : number of columns from the left that hold names or sentences
    min_width : width of the first column at least
    wrap_numbers : wrap numbers as well where space is short
    """
    table = new_table()
    for i, head in enumerate(heads):
        if i < n_names:
            table.add_column(Text(head), overflow="fold", min_width=min_width if i == 0 else None)
        else:
            table.add_column(Text(head), justify="right", no_wrap=not wrap_numbers)
    for i, row in enumerate(rows):
        table.add_row(*(Text(clean(cell)) for cell in row), style="bold" if i in bold_rows else None)
    return table


def new_table() -> Table:
    """A table with a line below its head and no frame."""
    return Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)


def below(part: RenderableType) -> Padding:
    """The part, followed by an empty line."""
    return Padding(part, (0, 0, 1, 0))


def bullets(head: str, lines: Sequence[str]) -> Padding | Text:
    """A heading and a list with hanging indents; nothing if the list is empty."""
    if not lines:
        return Text("", end="")
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    for line in lines:
        grid.add_row("•", Text(line))
    return below(Group(Text(head, "bold"), grid))


def clean(text: str) -> str:
    """A name from a file, without characters that would move the cursor or change the direction of writing."""
    return "".join("\N{REPLACEMENT CHARACTER}" if unprintable(letter) else letter for letter in text)
