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
    """128 plus the number of the signal, as is usual in shells: 130 for Ctrl-C, 143 for SIGTERM."""
    return 128 + (signal.SIGTERM if isinstance(stop, Terminated) else signal.SIGINT)


def interruption_of(number: int) -> KeyboardInterrupt:
    """The exception for a signal."""
    return Terminated() if number == signal.SIGTERM else KeyboardInterrupt()


def stop_at_signals() -> None:
    """From now on Ctrl-C and SIGTERM end the process at once, unless another handler is set.

    Nothing is lost: a file with its final name is complete at any moment. An exception instead could be raised in
    the middle of an import, or in a place where exceptions are printed and ignored.
    """
    for number in signals_to_handle():
        signal.signal(number, end_at_once)


def signals_to_handle() -> list[int]:
    """SIGINT and SIGTERM, without those that this process was started to ignore, as in the background of a script."""
    return [n for n in (signal.SIGINT, signal.SIGTERM) if signal.getsignal(n) != signal.SIG_IGN]


def end_at_once(number: int, frame: FrameType | None = None) -> NoReturn:
    """End the process with a message on standard error, and delete unfinished files."""
    discard_unfinished()
    with suppress(OSError):
        os.write(2, b"Error: interrupted.\n")
    os._exit(128 + number)


def open_closed_streams() -> bool:
    """Open the null device for each standard stream that is closed: the next file that is opened would otherwise get
    its number, and what is printed. Returns whether standard output was open."""
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
    """Redirect what is still to be printed to the null device; the interpreter would otherwise fail at its end."""
    null = os.open(os.devnull, os.O_WRONLY)
    with suppress(OSError, ValueError):  # There may be no file behind it.
        os.dup2(null, sys.stdout.fileno())
    os.close(null)
