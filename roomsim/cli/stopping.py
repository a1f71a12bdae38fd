"""Interruption of a command by Ctrl-C or SIGTERM, and standard streams that are closed."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from types import FrameType
from typing import NoReturn

from ..files import discard_unfinished


class Terminated(KeyboardInterrupt):
    """Stopped by SIGTERM: treated like Ctrl-C, except for the exit code."""


def exit_code_of(stop: BaseException | None) -> int:
    """128 plus the number of the signal, as is usual in shells: 130 for Ctrl-C, 143 for SIGTERM."""
    return 128 + (signal.SIGTERM if isinstance(stop, Terminated) else signal.SIGINT)


def interruption_of(number: int) -> KeyboardInterrupt:
    """The exception for a signal."""
    return Terminated() if number == signal.SIGTERM else KeyboardInterrupt()


def stop_at_signals() -> None:
    """Let Ctrl-C and SIGTERM end the process at once, until another handler is set.

    Nothing is lost: a file with its final name is complete at any moment. An exception instead could be raised in
    the middle of an import, or in a place where exceptions are printed and ignored.
    """
    for number in signals_to_handle():
        signal.signal(number, end_at_once)


def signals_to_handle() -> list[int]:
    """SIGINT and SIGTERM, except those that the process ignores from its start, as in the background of a script."""
    return [n for n in (signal.SIGINT, signal.SIGTERM) if signal.getsignal(n) != signal.SIG_IGN]


def end_at_once(number: int, frame: FrameType | None = None) -> NoReturn:
    """End the process with a message on standard error, and delete unfinished files."""
    discard_unfinished()
    with suppress(OSError):
        os.write(2, b"Error: interrupted.\n")
    os._exit(128 + number)


def open_closed_streams() -> bool:
    """Open the null device for each closed standard stream; return whether standard output was open.

    Otherwise the next file to be opened would take the number of the stream, and output would be written into it.
    """
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
    """Redirect the remaining output to the null device; otherwise the interpreter would fail when it ends."""
    null = os.open(os.devnull, os.O_WRONLY)
    with suppress(OSError, ValueError):  # Standard output may have no file descriptor.
        os.dup2(null, sys.stdout.fileno())
    os.close(null)
