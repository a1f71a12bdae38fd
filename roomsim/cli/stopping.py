"""What stops a command from outside: Ctrl-C and SIGTERM, and standard streams that nobody reads."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from types import FrameType
from typing import NoReturn

from ..files import discard_unfinished


class Terminated(KeyboardInterrupt):
    """Asked to stop by SIGTERM: the same as Ctrl-C, but for the exit code."""


def exit_code_of(stop: BaseException | None) -> int:
    """128 and the number of the signal, as shells have it: 130 for Ctrl-C, 143 for SIGTERM."""
    return 128 + (signal.SIGTERM if isinstance(stop, Terminated) else signal.SIGINT)


def interruption_of(number: int) -> KeyboardInterrupt:
    """The exception that a signal comes to."""
    return Terminated() if number == signal.SIGTERM else KeyboardInterrupt()


def stop_at_signals() -> None:
    """From now on Ctrl-C and SIGTERM end the process at once, unless somebody else takes them on.

    Nothing is lost by that: what has its final name on the disk is whole at any moment. An exception instead could
    come up in the midst of an import, or where it is only printed and the work goes on.
    """
    for number in heeded():
        signal.signal(number, end_at_once)


def heeded() -> list[int]:
    """SIGINT and SIGTERM, but for those that this process was started to ignore, as in the background of a script."""
    return [n for n in (signal.SIGINT, signal.SIGTERM) if signal.getsignal(n) != signal.SIG_IGN]


def end_at_once(number: int, frame: FrameType | None = None) -> NoReturn:
    """Leave the process, with a word on standard error and without unfinished files."""
    discard_unfinished()
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
    with suppress(OSError, ValueError):  # There may be no file behind it.
        os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
