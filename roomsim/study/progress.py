"""How far a run is, reported without knowing who listens."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol


class Progress(Protocol):
    """What a run reports while it goes on. Calls may come from any thread."""

    def start(self, stage: str, total: int) -> None:
        """A stage begins that will take `total` steps."""

    def advance(self, n: int = 1) -> None:
        """`n` more steps of the stage are done."""

    def message(self, text: str) -> None:
        """A sentence that the user should see."""


class NoProgress:
    """Nobody listens."""

    def start(self, stage: str, total: int) -> None:
        pass

    def advance(self, n: int = 1) -> None:
        pass

    def message(self, text: str) -> None:
        pass


@dataclass(frozen=True)
class Step:
    """Where a run stands."""

    stage: str
    done: int
    total: int
    seconds_left: float | None
    """Of this stage, at the pace so far; None before anything is known."""
    message: str = ""
    """Set when this is news and not progress."""


class CallbackProgress:
    """Hands every step to one function, one call at a time."""

    def __init__(self, tell: Callable[[Step], None], clock: Callable[[], float] = time.monotonic):
        self._tell = tell
        self._clock = clock
        self._lock = threading.RLock()
        self._stage, self._total, self._done = "", 0, 0
        self._began = clock()

    def start(self, stage: str, total: int) -> None:
        with self._lock:
            self._stage, self._total, self._done = stage, total, 0
            self._began = self._clock()
            self._tell(self._step())

    def advance(self, n: int = 1) -> None:
        with self._lock:
            self._done += n
            self._tell(self._step())

    def message(self, text: str) -> None:
        with self._lock:
            self._tell(self._step(text))

    def _step(self, message: str = "") -> Step:
        left = None
        if 0 < self._done <= self._total:
            left = (self._clock() - self._began) * (self._total - self._done) / self._done
        return Step(self._stage, self._done, self._total, left, message)


def progress_to(listener: Callable[[Step], None] | None) -> Progress:
    """The progress of a run as calls of a function, or as nothing where there is none."""
    return NoProgress() if listener is None else CallbackProgress(listener)
