"""Progress of a run, reported to a function of the caller's."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Step:
    """The state of a run."""

    stage: str
    done: int
    total: int
    seconds_left: float | None
    """Of this stage, at the rate so far; None before the first step is done."""
    message: str = ""
    """A sentence for the user; empty where only the progress has changed."""


class Progress:
    """Calls a function with every step, one call at a time, from whichever thread made the step.

    Parameters
    ----------
    listener : None where progress is not reported
    """

    def __init__(
        self, listener: Callable[[Step], None] | None = None, clock: Callable[[], float] = time.monotonic
    ):
        self._listener = listener
        self._clock = clock
        self._lock = threading.RLock()
        self._stage, self._total, self._done = "", 0, 0
        self._started = clock()

    def start(self, stage: str, total: int) -> None:
        """Begin a stage of `total` steps."""
        with self._lock:
            self._stage, self._total, self._done = stage, total, 0
            self._started = self._clock()
            self._report()

    def advance(self, n: int = 1) -> None:
        """Count `n` more steps of the stage as done."""
        with self._lock:
            self._done += n
            self._report()

    def message(self, text: str) -> None:
        """Report a sentence that the user should see."""
        with self._lock:
            self._report(text)

    def _report(self, message: str = "") -> None:
        if self._listener is None:
            return
        left = None
        if 0 < self._done <= self._total:
            left = (self._clock() - self._started) * (self._total - self._done) / self._done
        self._listener(Step(self._stage, self._done, self._total, left, message))
