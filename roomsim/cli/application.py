"""The command-line application: all commands, and the reporting of errors."""

from __future__ import annotations

import traceback
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import click

from ..errors import PictureWarning, RoomsimError, RoomsimWarning
from .measured_command import measured
from .reference_commands import materials, quantities, schema
from .results_commands import charts, compare, export, maps
from .screen import error_object, finish_printing, give_json, print_error, print_warning
from .stopping import exit_code_of, give_up_output
from .study_commands import check, new, plan, run, status
from .system_command import system

FINDINGS, USAGE, OUTPUT, INTERNAL = 1, 2, 4, 5
"""Exit codes besides 0 for done, those that errors carry, and those of signals."""


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="roomsim", message="roomsim %(version)s")
def application() -> None:
    """Room acoustics for temporary venues.

    Describe a venue, the treatment that it could get and the loudspeakers once, in a mesh and four short files.
    roomsim traces the sound, weights every path for every treatment scenario, and reports what each scenario does
    for speech at every seat, how accurate that figure is, and what the scenario costs.

    \b
    Start here:
      roomsim new hall              a small study with comments, to be changed
      roomsim check hall/study.toml find errors before anything is computed
      roomsim run hall/study.toml   compute, compare, draw
      roomsim plan hall/study.toml  which elements to choose, and what more money buys
    A run writes into a folder beside the study (hall/study.roomsim), which other commands read:
      roomsim compare hall/study.roomsim
      roomsim maps hall/study.roomsim --quantity T20 --band 125

    Every command has --help. Results are printed on standard output, everything else on standard error.
    Exit codes: 0 done; 1 done, but with findings; 2 wrong usage; 3 wrong input; 4 output,
    disk or memory; 5 an internal error; 130 interrupted by Ctrl-C; 143 stopped by SIGTERM.
    """


for command in (
    *(new, check, run, plan, status, system),
    *(compare, maps, charts, export, measured),
    *(materials, quantities, schema),
):
    application.add_command(command)


def execute(arguments: Sequence[str]) -> int:
    """Run one command line; return its exit code. `--debug` prints where an error arose."""
    code = _execute(arguments)
    unprinted = finish_printing()
    if unprinted is not None:
        print_error(unprinted)
        return code or unprinted.exit_code
    return code


def _execute(arguments: Sequence[str]) -> int:
    try:
        with _printed_warnings() as kinds:
            code = application.main(args=list(arguments), prog_name="roomsim", standalone_mode=False)
        lacks_pictures = any(issubclass(kind, PictureWarning) for kind in kinds)
        return (code if isinstance(code, int) else 0) or FINDINGS * lacks_pictures
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as error:
        error.show()
        return USAGE
    except (BrokenPipeError, SystemExit):
        # The reader of a pipe has ended (`| head`), which click turns into an exit: nobody reads the output.
        give_up_output()
        return 0
    except (KeyboardInterrupt, click.Abort) as stop:
        # click raises the same for a file that ends too early as for Ctrl-C.
        if isinstance(stop.__cause__, EOFError):
            return _failed(stop.__cause__, arguments)
        print_error("interrupted.")
        return exit_code_of(stop.__cause__ or stop)
    except Exception as error:
        return _failed(error, arguments)


def _failed(error: BaseException, arguments: Sequence[str]) -> int:
    """Print why a command failed; return its exit code."""
    if "--debug" in arguments:
        traceback.print_exception(error)
    if isinstance(error, RoomsimError):
        if "--json" in arguments:
            name = next((part for part in arguments if part in application.commands), "")
            give_json(name, error_object(error))
        print_error(error)
        return error.exit_code
    if isinstance(error, MemoryError):
        print_error(
            "there is not enough memory. Use fewer seats (a larger seat_spacing), fewer scenarios, a simpler mesh "
            "or a machine with more memory. The paths traced so far are stored."
        )
        return OUTPUT
    if isinstance(error, OSError):
        # Reading and writing files have errors of their own; this is for anything else that the system refuses.
        print_error(f"{f'{error.filename}: ' if error.filename else ''}{error.strerror or error}")
        return OUTPUT
    print_error(
        f"internal error ({type(error).__name__}: {error}). Run the command again with --debug and report "
        "the error together with what is printed."
    )
    return INTERNAL


@contextmanager
def _printed_warnings() -> Iterator[list[type[Warning]]]:
    """Print warnings of this program in the form of its other messages; yields the list of their kinds."""
    kinds: list[type[Warning]] = []
    show = warnings.showwarning

    def shown(message: Warning | str, category: type[Warning], *more: Any, **others: Any) -> None:
        if issubclass(category, RoomsimWarning):
            kinds.append(category)
            print_warning(str(message))
        else:
            show(message, category, *more, **others)

    warnings.showwarning = shown
    try:
        yield kinds
    finally:
        warnings.showwarning = show
