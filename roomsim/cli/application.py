"""All commands together, and what an error comes to."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Sequence

import click

from ..errors import RoomsimError
from . import looking_up, measuring, reporting, studying, systems
from .screen import error_object, give_json, print_error

FINDINGS, USAGE, FAULT, INTERRUPTED = 1, 2, 5, 130
"""Exit codes besides 0 for done and those that errors carry."""


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
    standard error. Exit codes: 0 done; 1 done, but with findings; 2 wrong usage; 3 wrong input; 4 output or
    disk; 5 a fault of the program; 130 interrupted.
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
    debug, as_json = "--debug" in arguments, "--json" in arguments
    try:
        code = application.main(args=list(arguments), prog_name="roomsim", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
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
    except (KeyboardInterrupt, click.Abort):
        print_error("interrupted.")
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of a pipe has gone (`| head`): nobody is left to be told.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        if debug:
            traceback.print_exc()
        print_error(
            f"roomsim has a fault ({type(error).__name__}: {error}). Run again with --debug to see where, "
            "and report it with what that prints."
        )
        return FAULT
