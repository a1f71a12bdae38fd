"""All commands together, and what an error comes to."""

from __future__ import annotations

import traceback
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import click

from ..errors import PictureWarning, RoomsimError, RoomsimWarning
from . import looking_up, measuring, reporting, studying, systems
from .screen import error_object, finish_printing, give_json, print_error, print_warning
from .stopping import exit_code_of, give_up_output

FINDINGS, USAGE, OUTPUT, FAULT = 1, 2, 4, 5
"""Exit codes besides 0 for done, those that errors carry, and those of signals."""


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="roomsim", message="roomsim %(version)s")
def application() -> None:
    """Room acoustics for venues of a day.

    Describe a venue, what could be hung in it and the loudspeakers once, in a mesh and four short files.
    roomsim traces the sound, weighs every path for every treatment scenario, and says what each scenario does
    for speech at every seat, how sure that is, and what it costs.

    \b
    Start here:
      roomsim new hall              a small study with comments, to be changed
      roomsim check hall/study.toml what is wrong with it, before anything is computed
      roomsim run hall/study.toml   compute, compare, draw
      roomsim plan hall/study.toml  which elements to choose, and what more money buys
    A run goes into a folder beside the study (hall/study.roomsim); the commands below read it again:
      roomsim compare hall/study.roomsim
      roomsim maps hall/study.roomsim --quantity T20 --band 125

    Every command explains itself with --help. Results are printed on standard output, everything else on
    standard error. Exit codes: 0 done; 1 done, but with findings; 2 wrong usage; 3 wrong input; 4 output,
    disk or memory; 5 a fault of the program; 130 interrupted by Ctrl-C; 143 stopped by SIGTERM.
    """


for command in (
    *studying.COMMANDS,
    *systems.COMMANDS,
    *reporting.COMMANDS,
    *measuring.COMMANDS,
    *looking_up.COMMANDS,
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
    debug, as_json = "--debug" in arguments, "--json" in arguments
    try:
        with _warnings_for_people() as warned:
            code = application.main(args=list(arguments), prog_name="roomsim", standalone_mode=False)
        lacks_pictures = any(issubclass(kind, PictureWarning) for kind in warned)
        return (code if isinstance(code, int) else 0) or FINDINGS * lacks_pictures
    except RoomsimError as error:
        if debug:
            traceback.print_exc()
        if as_json:
            name = next((part for part in arguments if part in application.commands), "")
            give_json(name, error_object(error))
        print_error(error)
        return error.exit_code
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as error:
        error.show()
        return USAGE
    except (BrokenPipeError, SystemExit):
        # The reader of a pipe has gone (`| head`), of which click makes an exit: nobody is left to be told.
        give_up_output()
        return 0
    except (KeyboardInterrupt, click.Abort) as stop:
        # click makes the same of a file that ends too early as of Ctrl-C.
        if isinstance(stop.__cause__, EOFError):
            return _fault(stop.__cause__, debug)
        print_error("interrupted.")
        return exit_code_of(stop.__cause__ or stop)
    except MemoryError:
        if debug:
            traceback.print_exc()
        print_error(
            "the memory does not suffice. Take fewer seats (a larger seat_spacing) or fewer scenarios, a simpler mesh, "
            "or a machine with more memory; what was traced is kept."
        )
        return OUTPUT
    except OSError as error:
        # Files are written and read in ways that say more; this is what the system would not do besides.
        if debug:
            traceback.print_exc()
        print_error(f"{f'{error.filename}: ' if error.filename else ''}{error.strerror or error}")
        return OUTPUT
    except Exception as error:
        return _fault(error, debug)


def _fault(error: BaseException, debug: bool) -> int:
    if debug:
        traceback.print_exception(error)
    print_error(
        f"roomsim has a fault ({type(error).__name__}: {error}). Run again with --debug to see where, "
        "and report it with what that prints."
    )
    return FAULT


@contextmanager
def _warnings_for_people() -> Iterator[list[type[Warning]]]:
    """Warnings of this program look like all its messages; the kinds of those that came are handed over."""
    came: list[type[Warning]] = []
    show = warnings.showwarning

    def shown(message: Warning | str, category: type[Warning], *more: Any, **others: Any) -> None:
        if issubclass(category, RoomsimWarning):
            came.append(category)
            print_warning(str(message))
        else:
            show(message, category, *more, **others)

    warnings.showwarning = shown
    try:
        yield came
    finally:
        warnings.showwarning = show
