"""What stops a command from outside: Ctrl-C and SIGTERM, and standard streams that nobody reads."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from types import FrameType
from typing import NoReturn

_SIGNALS = (signal.SIGINT, signal.SIGTERM)
_NOT_TO_BE_LEFT = ("<frozen importlib", f"{os.sep}numba{os.sep}", f"{os.sep}llvmlite{os.sep}")
"""Beginnings or parts of the names of code that makes other errors, or none, of an exception in its midst."""


class Terminated(KeyboardInterrupt):
    """Asked to stop by SIGTERM: the same as Ctrl-C, but for the exit code."""


def exit_code_of(stop: BaseException | None) -> int:
    """128 and the number of the signal, as shells have it: 130 for Ctrl-C, 143 for SIGTERM."""
    return 128 + (signal.SIGTERM if isinstance(stop, Terminated) else signal.SIGINT)


def interruption_of(number: int) -> KeyboardInterrupt:
    """The exception that a signal comes to."""
    return Terminated() if number == signal.SIGTERM else KeyboardInterrupt()


def stop_at_signals() -> None:
    """From now on Ctrl-C and SIGTERM raise an exception or, where that would be lost, end the process at once.

    Nothing is lost by that: what has its final name on the disk is whole at any moment.
    """
    for number in _SIGNALS:
        signal.signal(number, _stop)


def _stop(number: int, frame: FrameType | None) -> None:
    at = frame
    while at is not None:
        if any(part in at.f_code.co_filename for part in _NOT_TO_BE_LEFT):
            end_at_once(number)
        at = at.f_back
    raise interruption_of(number)


def end_at_once(number: int) -> NoReturn:
    """Leave the process, with a word on standard error."""
    with suppress(OSError):
        os.write(2, b"Error: interrupted.\n")
    os._exit(128 + number)


def open_closed_streams() -> bool:
    """Have something behind each standard stream, or else the next file that is opened would take its place and
    get what is printed. Returns whether standard output was there."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # Takes the lowest free number, which is this one.
    if sys.stderr is None:
        sys.stderr = open(2, "w", closefd=False)  # noqa: SIM115
    if sys.stdout is None:
        sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
        return False
    return True


def give_up_output() -> None:
    """Lead what is still to be printed to nowhere: else the interpreter would try again as it ends, and complain."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
