"""Processes that are killed or stopped, or whose disk fails, at a chosen operation, and the files that they leave.

A command runs once, in a folder of its own. Before each chosen operation the folder is copied and the process forks:
the copy of the process continues in the copy of the folder, and the fault occurs there. So a command is tried at
hundreds of operations for little more than the time of one. All paths must be relative.
"""

from __future__ import annotations

import builtins
import contextlib
import errno
import io
import json
import os
import shutil
import signal
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import filelock
import pytest

from roomsim.cli.application import execute
from roomsim.cli.stopping import stop_at_signals
from roomsim.files import is_unfinished
from roomsim.planning.plan_file import load_plan
from roomsim.results.plain import to_plain
from roomsim.results.results_file import load_results
from roomsim.study import evaluator, traced_paths

CHANGES = ("fsync", "mkdir", "remove", "rename", "replace", "rmdir", "unlink")
"""Functions of `os` that change the disk; opening and writing are handled separately."""
N_PIECES = 3
"""Number of pieces in which a file is written: a fault may occur after any of them."""


@dataclass(frozen=True)
class Fault:
    """What happens at an operation."""

    name: str
    signal: int | None = None
    error: int = 0
    stays: bool = False
    """The disk refuses all operations from then on."""

    def strike(self) -> None:
        if self.signal is not None:
            os.kill(os.getpid(), self.signal)
        else:
            raise OSError(self.error, os.strerror(self.error))


KILLED = Fault("killed", signal.SIGKILL)
STOPPED = Fault("stopped", signal.SIGTERM)
REFUSED = Fault("refused", error=errno.EIO)
FULL = Fault("full", error=errno.ENOSPC, stays=True)
READ_ONLY = Fault("read-only", error=errno.EROFS, stays=True)


@dataclass(frozen=True)
class Trial:
    """A fault that occurred in a command, and how the command ended."""

    fault: Fault
    operation: str
    folder: Path
    status: int
    """Exit code, or a signal as a negative number."""
    said: str
    """On standard error."""

    def __str__(self) -> str:
        return f"{self.fault.name} at {self.operation}: ended with {self.status}\n{self.said}"


def trials(command: list[str], folder: Path, faults_at: Callable[[int], Sequence[Fault]]) -> list[Trial]:
    """Run a command to its end in `folder`, and at each operation, by number, copies of it in which the faults
    occur."""
    tried = _Tried(folder.absolute(), faults_at)
    with contextlib.chdir(folder), watched(tried.reached), pytest.MonkeyPatch.context() as patch:
        patch.setattr(filelock, "FileLock", _Lock)
        status, said = _run(command)
        if tried.fault is not None:
            tried.end(status, said)
    assert status == 0, said
    return tried.trials


def _run(command: list[str]) -> tuple[int, str]:
    said = io.StringIO()
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        stop_at_signals()
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(said):
            return execute(command), said.getvalue()
    except BaseException:
        return 99, said.getvalue() + traceback.format_exc()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def run(command: list[str], folder: Path) -> None:
    """Run a command to its end, without a fault."""
    with contextlib.chdir(folder):
        status, said = _run(command)
    assert status == 0, said


class _Tried:
    def __init__(self, folder: Path, faults_at: Callable[[int], Sequence[Fault]]):
        self.folder, self.faults_at = folder, faults_at
        self.trials: list[Trial] = []
        self.fault: Fault | None = None
        self.n_operations = 0
        self._own = False

    def end(self, status: int, said: str) -> NoReturn:
        """End a copy, which must not continue with other tests whatever happens."""
        try:
            self._own = True
            Path("said").write_text(said)
        finally:
            os._exit(status)

    def reached(self, operation: str) -> None:
        """Called before each operation."""
        if self._own:
            return
        if self.fault is not None:
            if self.fault.stays:
                self.fault.strike()
            return
        number, self.n_operations = self.n_operations, self.n_operations + 1
        for fault in self.faults_at(number):
            self._own = True
            place = self.folder.with_name(f"{self.folder.name} {number} {fault.name}")
            shutil.copytree(self.folder, place)
            copy = os.fork()
            if copy == 0:
                self._own, self.fault = False, fault
                os.chdir(place)
                fault.strike()
                return
            _, status = os.waitpid(copy, 0)
            said = place / "said"
            words = said.read_text() if said.exists() else ""
            said.unlink(missing_ok=True)
            code = os.waitstatus_to_exitcode(status)
            self.trials.append(Trial(fault, f"{operation}, number {number}", place, code, words))
            self._own = False


@contextlib.contextmanager
def watched(reached: Callable[[str], None]) -> Iterator[None]:
    """Have `reached` called before everything that changes the disk."""
    low_open, high_open = os.open, io.open

    def before(name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **more: Any) -> Any:
            reached(name)
            return function(*given, **more)

        return call

    def open_low(path: Any, flags: int, *given: Any, **more: Any) -> int:
        if flags & (os.O_WRONLY | os.O_RDWR) and path != os.devnull:
            reached("open")
        return low_open(path, flags, *given, **more)

    def open_high(path: Any, mode: str = "r", *given: Any, **more: Any) -> Any:
        if not set(mode) & set("wxa+") or path == os.devnull:
            return high_open(path, mode, *given, **more)
        reached("open")
        return _Watched(path, high_open(path, mode, *given, **more), reached, high_open)

    with pytest.MonkeyPatch.context() as patch:
        for name in CHANGES:
            patch.setattr(os, name, before(name, getattr(os, name)))
        patch.setattr(os, "open", open_low)
        patch.setattr(io, "open", open_high)
        patch.setattr(builtins, "open", open_high)
        # A copy of a process has only the thread that forked.
        for module in (evaluator, traced_paths):
            patch.setattr(module, "ThreadPoolExecutor", _OneAfterTheOther)
        yield


class _Watched:
    """A file that is written piece by piece."""

    def __init__(self, path: Any, file: Any, reached: Callable[[str], None], reopen: Callable[..., Any]):
        self._path, self._file, self._reached, self._reopen = path, file, reached, reopen
        self._process = os.getpid()

    def __enter__(self) -> _Watched:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def write(self, content: Any) -> None:
        step = max(1, -(-len(content) // N_PIECES))
        for start in range(0, len(content), step):
            self._reached("write")
            if os.getpid() != self._process:
                # A copy continues in its own folder, and not in the file that it shares with the original.
                self._process, at = os.getpid(), self._file.tell()
                self._file = self._reopen(self._path, "r+b")
                self._file.seek(at)
            self._file.write(content[start : start + step])
            self._file.flush()


class _Lock:
    """A lock does not work in a copy of the process that made it; no process waits for one here."""

    def __init__(self, path: Path):
        self._path = path

    def acquire(self, timeout: float) -> None:
        with self._path.open("a"):
            pass

    def release(self) -> None:
        pass


class _OneAfterTheOther:
    def __init__(self, *_: object):
        pass

    def __enter__(self) -> _OneAfterTheOther:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def map(self, function: Callable[..., Any], *given: Any) -> Iterator[Any]:
        return map(function, *given)

    def shutdown(self, **_: object) -> None:
        pass


# --- the files left -------------------------------------------------------------------------------------

Contents = dict[str, Any]
"""Path in a folder -> content of the file, except for the time at which it was made."""


def contents(folder: Path) -> Contents:
    """Of all files with a final name; each must be one that can be read."""
    return {
        path.relative_to(folder).as_posix(): _content(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in ("lock", "holder") and not is_unfinished(path.name)
    }


def unfinished(folder: Path) -> list[Path]:
    """Files that have no final name."""
    return [path for path in folder.rglob("*") if is_unfinished(path.name)]


def _content(path: Path) -> Any:
    if path.name == "results.h5":
        results = load_results(path)
        figures = {
            f"{level} {name} {part}": getattr(estimate, part).tobytes()
            for level in ("seats", "gains", "room", "room_gains")
            for name, estimate in getattr(results, level).items()
            for part in ("value", "standard_error")
        }
        return figures, _timeless(results.provenance), results.caveats
    if path.name == "plan.h5":
        return _timeless(to_plain(load_plan(path)))
    if path.suffix == ".json":
        return _timeless(json.loads(path.read_bytes()))
    return path.read_bytes()


def _timeless(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _timeless(part) for name, part in value.items() if name != "finished"}
    return [_timeless(part) for part in value] if isinstance(value, list) else value
