"""Progress of a long job on the screen, and Ctrl-C while it lasts."""

from __future__ import annotations

import os
import signal
import sys
import threading
from contextlib import suppress
from types import FrameType
from typing import TYPE_CHECKING, Any

from .screen import Screen, console, in_words, say
from .stopping import end_at_once, heeded, interruption_of

if TYPE_CHECKING:
    from ..study.progress import Step

class Display:
    """Shows each step: a bar with the time left on a terminal, else one line for every 10 % of a long stage.

    Use it as a context, and call it with steps. The first Ctrl-C or SIGTERM makes the next call raise
    KeyboardInterrupt, so that work in flight is finished and kept; a second one ends the process at once.
    """

    def __init__(self, screen: Screen):
        self._quiet = screen.quiet
        self._bar: Any = None
        self._task: Any = None
        self._stage, self._told = "", 0
        self._interrupted: KeyboardInterrupt | None = None
        self._handlers: dict[int, Any] = {}

    def __enter__(self) -> Display:
        if not self._quiet and sys.stderr.isatty() and os.environ.get("TERM") != "dumb":
            self._start_bar()
        if threading.current_thread() is threading.main_thread():
            for number in heeded():
                self._handlers[number] = signal.signal(number, self._on_interrupt)
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        if self._bar is not None:
            self._bar.stop()
        if kind is None and self._interrupted is not None:
            raise self._interrupted  # It came after the last step.

    def __call__(self, step: Step) -> None:
        if step.message:
            self._tell(step.message)
        elif self._bar is not None:
            left = "" if step.seconds_left is None else f"about {in_words(step.seconds_left)} left"
            known = {"description": step.stage, "completed": step.done, "total": max(step.total, 1)}
            self._bar.update(self._task, left=left if step.done < step.total else "", **known)
        elif not self._quiet:
            self._line(step)
        if self._interrupted is not None:
            raise self._interrupted

    def _start_bar(self) -> None:
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

        columns = (
            TextColumn("{task.description}"),
            BarColumn(),
            TaskProgressColumn(),
            TimeElapsedColumn(),
            TextColumn("{task.fields[left]}"),
        )
        self._bar = Progress(*columns, console=console(sys.stderr), transient=True)
        self._task = self._bar.add_task("Reading", total=1, left="")
        self._bar.start()

    def _line(self, step: Step) -> None:
        if step.stage != self._stage:
            self._stage, self._told = step.stage, 0
        tenths = 10 * step.done // max(step.total, 1)
        # Stages of a few steps are over before a line about them has been read.
        if step.total >= 10 and tenths > self._told:
            self._told = tenths
            is_over = step.seconds_left is None or step.done >= step.total
            left = "" if is_over else f", about {in_words(step.seconds_left or 0.0)} left"
            self._tell(f"{step.stage}: {10 * tenths} %{left}")

    def _tell(self, text: str) -> None:
        if self._bar is not None:
            self._bar.console.print(text, markup=False, soft_wrap=True)
        elif not self._quiet:
            say(text)

    def _on_interrupt(self, number: int, frame: FrameType | None) -> None:
        if self._interrupted is not None:
            end_at_once(number)
        self._interrupted = interruption_of(number)
        with suppress(OSError):
            os.write(2, b"\nFinishing what is in flight; it will be kept. Ctrl-C again stops at once.\n")
