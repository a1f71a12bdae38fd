"""Progress of a long job on the screen, and Ctrl-C while it lasts."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

from .screen import Screen, console, duration_text, print_remark, print_warning
from .stopping import end_at_once, interruption_of, signals_to_handle

if TYPE_CHECKING:
    from ..study.progress import Step


@contextmanager
def computing(screen: Screen, folder: Path | None = None) -> Iterator[Display]:
    """Display of a computation, with remarks when the engine must be compiled first and when Ctrl-C is pressed."""
    if not _is_compiled():
        screen.remark("First run on this machine: compiling the engine takes up to a minute. Later runs start at once.")
    try:
        with Display(screen) as display:
            yield display
    except KeyboardInterrupt:
        if folder is not None:
            print_warning(f"the paths traced so far are stored in {folder}; run the same command again to resume.")
        raise


def _is_compiled() -> bool:
    """Whether an earlier run has stored the compiled engine in the folder from which this run loads it."""
    cache = os.environ.get("NUMBA_CACHE_DIR")
    if cache:
        return any(Path(cache).rglob("tracing*/_paths*.compiled"))
    return any(Path(__file__).parents[1].glob("tracing/__pycache__/_paths*.compiled"))


class Display:
    """Shows progress: a bar with the remaining time on a terminal, otherwise a line for every 10 % of a long stage.

    Use it as a context manager, and call it with each `Step`. After the first Ctrl-C or SIGTERM the next call raises
    KeyboardInterrupt, so that the work in progress is finished and saved; a second one ends the process at once.
    """

    def __init__(self, screen: Screen):
        self._quiet = screen.quiet
        self._bar: Any = None
        self._task: Any = None
        self._stage, self._tenths_shown = "", 0
        self._interrupted: KeyboardInterrupt | None = None
        self._handlers: dict[int, Any] = {}

    def __enter__(self) -> Display:
        if not self._quiet and sys.stderr.isatty() and os.environ.get("TERM") != "dumb":
            self._start_bar()
        if threading.current_thread() is threading.main_thread():
            for number in signals_to_handle():
                self._handlers[number] = signal.signal(number, self._on_interrupt)
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        if self._bar is not None:
            self._bar.stop()
        if kind is None and self._interrupted is not None:
            raise self._interrupted  # The signal came after the last step.

    def __call__(self, step: Step) -> None:
        if step.message:
            self._print(step.message)
        elif self._bar is not None:
            left = "" if step.seconds_left is None else f"about {duration_text(step.seconds_left)} left"
            shown = {"description": step.stage, "completed": step.done, "total": max(step.total, 1)}
            self._bar.update(self._task, left=left if step.done < step.total else "", **shown)
        elif not self._quiet:
            self._print_tenths(step)
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

    def _print_tenths(self, step: Step) -> None:
        if step.stage != self._stage:
            self._stage, self._tenths_shown = step.stage, 0
        tenths = 10 * step.done // max(step.total, 1)
        # Stages of a few steps end too soon for a line to be useful.
        if step.total >= 10 and tenths > self._tenths_shown:
            self._tenths_shown = tenths
            is_over = step.seconds_left is None or step.done >= step.total
            left = "" if is_over else f", about {duration_text(step.seconds_left or 0.0)} left"
            self._print(f"{step.stage}: {10 * tenths} %{left}")

    def _print(self, text: str) -> None:
        if self._bar is not None:
            self._bar.console.print(text, markup=False, soft_wrap=True)
        elif not self._quiet:
            print_remark(text)

    def _on_interrupt(self, number: int, frame: FrameType | None) -> None:
        if self._interrupted is not None:
            end_at_once(number)
        self._interrupted = interruption_of(number)
        with suppress(OSError):
            os.write(2, b"\nFinishing and saving the work in progress. Press Ctrl-C again to stop at once.\n")
