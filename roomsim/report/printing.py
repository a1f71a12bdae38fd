"""What all tables share: how they are framed, and printed on a terminal or as plain text."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

from rich import box
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from ..errors import unprintable


class PrintedTable:
    """Base of the tables: printed with rich they fit the width there is; `text` gives plain text."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        raise NotImplementedError

    def text(self, width: int = 100) -> str:
        """Plain text, at most `width` columns wide."""
        return plain_text(self, width)

    def __str__(self) -> str:
        return self.text()


def plain_text(renderable: RenderableType, width: int) -> str:
    """What a console of this width would show, without colours."""
    written = io.StringIO()
    console = Console(
        file=written, width=width, color_system=None, force_terminal=False, highlight=False, legacy_windows=False
    )
    console.print(renderable, markup=False)
    return "\n".join(line.rstrip() for line in written.getvalue().rstrip().splitlines()) + "\n"


def new_table(**more: Any) -> Table:
    """A table with a line under its head and no frame."""
    return Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False, **more)


def below(part: RenderableType) -> Padding:
    """With an empty line below it."""
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
    table = Table.grid()
    table.add_column()
    table.add_row(Text(head, "bold"))
    table.add_row(grid)
    return below(table)


def clean(text: str) -> str:
    """A name from a file, without characters that would move the cursor or turn the line round."""
    return "".join("\N{REPLACEMENT CHARACTER}" if unprintable(letter) else letter for letter in text)
