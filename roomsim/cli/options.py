"""Options that several commands share."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from .screen import Screen


def with_screen(function: Callable[..., int | None]) -> Callable[..., int | None]:
    """Give a command the options on printing, and as its first argument the `Screen` that they make."""

    @click.option("-q", "--quiet", is_flag=True, help="Print results, warnings and errors only.")
    @click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of tables.")
    @click.option(
        "--debug", is_flag=True, expose_value=False, help="Show where in the program an error arose."
    )
    @functools.wraps(function)
    def command(*args: Any, quiet: bool, as_json: bool, **options: Any) -> int | None:
        name = click.get_current_context().info_name or ""
        return function(Screen(name, quiet, as_json), *args, **options)

    return command


class Number(click.FloatRange):
    """A number between bounds; unlike `FloatRange`, not a number is none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value} is no number to compute with.", param, ctx)
        return number


STI_ERROR = Number(1e-6, 0.2)
THREADS = click.IntRange(1, 1024)

study_file = click.argument("study", type=click.Path(path_type=Path), metavar="STUDY.toml")
finished = click.argument("results", type=click.Path(path_type=Path), metavar="RESULTS")
"""A finished study: the folder of a run or the results.h5 in it."""


def out_folder(text: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Option `--out FOLDER`."""
    return click.option(
        "--out", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER", help=text
    )
