"""Arguments and options that several commands share."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from .screen import Screen

Command = Callable[..., Any]


def with_screen(function: Callable[..., int | None]) -> Callable[..., int | None]:
    """Add the options for printing to a command, which receives a `Screen` as its first argument."""

    @click.option("-q", "--quiet", is_flag=True, help="Print results, warnings and errors only.")
    @click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of tables.")
    @click.option("--debug", is_flag=True, expose_value=False, help="Show where in the program an error arose.")
    @functools.wraps(function)
    def command(*args: Any, quiet: bool, as_json: bool, **options: Any) -> int | None:
        name = click.get_current_context().info_name or ""
        return function(Screen(name, quiet, as_json), *args, **options)

    return command


class Number(click.FloatRange):
    """A finite number between bounds; `FloatRange` accepts nan."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value} is not a finite number.", param, ctx)
        return number


PATH = click.Path(path_type=Path)

study_file = click.argument("study", type=PATH, metavar="STUDY.toml")
finished = click.argument("results", type=PATH, metavar="RESULTS")
"""A finished study: the folder of a run or the results.h5 in it."""

picture_formats = click.option(
    "--format", "formats", multiple=True, type=click.Choice(["png", "svg", "pdf"]), default=("png", "svg"),
    show_default=True, help="May be given more than once.",
)  # fmt: skip
no_pictures = click.option("--no-pictures", is_flag=True, help="Do not draw any pictures.")


def out_folder(text: str) -> Callable[[Command], Command]:
    """Option `--out FOLDER`."""
    return click.option("--out", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER", help=text)


def computation(function: Command) -> Command:
    """Options `--sti-error` and `--threads` of commands that trace."""
    sti_error = click.option(
        "--sti-error", type=Number(1e-6, 0.2),
        help="Required standard error of the STI at a seat, in place of the value in the files.",
    )  # fmt: skip
    threads = click.option(
        "--threads", type=click.IntRange(1, 1024),
        help="Number of threads; all cores by default. Results do not depend on it.",
    )  # fmt: skip
    return sti_error(threads(function))
