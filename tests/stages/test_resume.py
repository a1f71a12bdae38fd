"""A run killed at any moment goes on where it was: nothing finished is lost, nothing half done is taken.

The writer is killed with SIGKILL, which no program can catch. That the data also outlive a power cut rests
on fsync and is not tested here.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from path_logs import N_COMPONENTS, N_RECEIVERS, SHEET, invented_log

from roomsim import files
from roomsim.study import store
from roomsim.study.store import LogLimits, PathStore, StudyStore, digest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs fork and SIGKILL")

LIMITS = LogLimits(SHEET, N_RECEIVERS, N_COMPONENTS)
DIGEST = digest({"seed": 1})
N_RAYS = 3000
"""Enough for a file of half a megabyte: writing one takes a while."""

Write = Callable[[Path, bytes], None]


def killed_writer(folder: Path, first: int, write: Write, kill_after: tuple[int, float] | None) -> list[int]:
    """Write batches from `first` on in a process of its own until it is killed; the batches it acknowledged.

    It is killed so many batches and so many seconds after it has begun; if nothing is said, it kills itself.
    """
    receiving, sending = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(receiving)
            with StudyStore(folder) as opened:
                store.replace_file = write
                paths = opened.paths(DIGEST, LIMITS)
                os.write(sending, b"ready\n")
                for batch in range(first, first + 100_000):
                    paths.write(invented_log(0, batch, N_RAYS))
                    os.write(sending, f"{batch}\n".encode())
        finally:
            os._exit(1)
    os.close(sending)
    with os.fdopen(receiving) as pipe:
        assert pipe.readline() == "ready\n"
        acknowledged = []
        if kill_after is not None:
            acknowledged += [int(pipe.readline()) for _ in range(kill_after[0])]
            time.sleep(kill_after[1])
            os.kill(child, signal.SIGKILL)
        acknowledged += [int(line) for line in pipe]
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status)
    assert os.WTERMSIG(status) == signal.SIGKILL
    return acknowledged


def lost_and_torn(folder: Path, acknowledged: set[int], first: int = 0) -> tuple[set[int], list[str]]:
    """What a resumed run finds: acknowledged batches that cannot be read, and notices of damaged files."""
    notices: list[str] = []
    with StudyStore(folder, notices.append) as opened:
        paths = opened.paths(DIGEST, LIMITS)
        there = [batch for batch in paths.batches(0) if batch >= first]
        readable = {batch for batch in there if paths.read(0, batch) is not None}
    return {batch for batch in acknowledged if batch >= first} - readable, notices


def kill_often(
    folder: Path, write: Write, n_kills: int, within: float
) -> tuple[set[int], set[int], list[str]]:
    """Acknowledged, lost and torn batches of a run that is killed and continued again and again."""
    moments = random.Random(20)
    acknowledged: set[int] = set()
    all_notices: list[str] = []
    for _ in range(n_kills):
        first = max(acknowledged, default=-1) + 1
        kill_after = moments.randint(0, 3), moments.uniform(0.0, within)
        acknowledged |= set(killed_writer(folder, first, write, kill_after))
        # Now: the next writer would cover up a torn file by writing the batch again.
        all_notices += lost_and_torn(folder, acknowledged, first)[1]
    lost, notices = lost_and_torn(folder, acknowledged)
    return acknowledged, lost, all_notices + notices


def write_in_place(path: Path, content: bytes) -> None:
    """The control: the final name is there before the content is. Slow, so that most kills fall into it."""
    with path.open("wb", buffering=0) as file:
        for start in range(0, len(content), 16384):
            file.write(content[start : start + 16384])
            time.sleep(0.002)


def test_kills_at_random_moments(tmp_path: Path) -> None:
    acknowledged, lost, notices = kill_often(tmp_path / "s", files.replace_file, n_kills=24, within=0.01)
    assert len(acknowledged) >= 24  # the writer got somewhere between the kills
    assert lost == set()
    assert notices == []


def kill_at(step: int) -> Callable[[str], None]:
    """Called at each system call of the writer; kills it at the given one."""
    count = iter(range(1_000_000))

    def reached(name: str) -> None:
        if next(count) == step:
            os.kill(os.getpid(), signal.SIGKILL)

    return reached


def stepwise(write: Write, reached: Callable[[str], None]) -> Write:
    """The same writer, with a call of `reached` before each write, flush to disk and renaming."""

    class Traced:
        def __init__(self, file):
            self._file = file

        def __enter__(self):
            return self

        def __exit__(self, *fault):
            self._file.close()

        def __getattr__(self, name):
            return getattr(self._file, name)

        def write(self, content):
            for start in range(0, len(content), 100_000):
                reached("write")
                self._file.write(content[start : start + 100_000])
                self._file.flush()

    def traced(path: Path, content: bytes) -> None:
        whole_open, whole_fsync, whole_replace = Path.open, os.fsync, Path.replace

        def fsync(handle):
            reached("fsync")
            whole_fsync(handle)

        def replace(one, other):
            reached("replace")
            return whole_replace(one, other)

        Path.open = lambda one, *how, **more: Traced(whole_open(one, *how, **more))
        os.fsync, Path.replace = fsync, replace
        try:
            write(path, content)
        finally:
            Path.open, os.fsync, Path.replace = whole_open, whole_fsync, whole_replace

    return traced


def kill_at_every_step(folder: Path, write: Write, n_steps: int) -> tuple[set[int], list[str]]:
    lost: set[int] = set()
    notices: list[str] = []
    for step in range(n_steps):
        acknowledged = killed_writer(folder / str(step), 0, stepwise(write, kill_at(step)), None)
        missing, torn = lost_and_torn(folder / str(step), set(acknowledged))
        lost |= missing
        notices += torn
    return lost, notices


def test_kills_at_every_step_of_writing(tmp_path: Path) -> None:
    """Two batches and more: before every write, flush to disk and renaming in turn."""
    (tmp_path / "new").mkdir()
    (tmp_path / "in place").mkdir()
    assert kill_at_every_step(tmp_path / "new", files.replace_file, n_steps=24) == (set(), [])
    # Control: the same kills tear files that are written in place.
    _, torn = kill_at_every_step(tmp_path / "in place", write_in_place, n_steps=24)
    assert len(torn) >= 10


def test_the_control_tears_files(tmp_path: Path) -> None:
    """The random kills of this harness do hit writers that are in the middle of a file.

    The control spends nine tenths of its time there, so that one of twelve kills does for certain.
    """
    _, _, notices = kill_often(tmp_path / "s", write_in_place, n_kills=12, within=0.06)
    assert notices != []


def test_a_resumed_run_ends_with_the_same_files(tmp_path: Path) -> None:
    """Killed twice and continued, or in one go: the same bytes."""

    def finish(folder: Path) -> dict[str, bytes]:
        with StudyStore(folder) as opened:
            paths = opened.paths(DIGEST, LIMITS)
            for batch in range(12):
                if paths.read(0, batch) is None:
                    paths.write(invented_log(0, batch, N_RAYS))
            return {f"{batch}": (paths.folder / f"00-{batch:06d}.h5").read_bytes() for batch in range(12)}

    for kill_after in ((2, 0.001), (4, 0.0)):
        killed_writer(tmp_path / "killed", 0, files.replace_file, kill_after)
    assert finish(tmp_path / "killed") == finish(tmp_path / "whole")


def test_what_was_stored_is_not_traced_again(tmp_path: Path) -> None:
    with StudyStore(tmp_path / "s") as opened:
        paths = opened.paths(DIGEST, LIMITS)
        for batch in (0, 1, 3):
            paths.write(invented_log(0, batch, 5))
    with StudyStore(tmp_path / "s") as opened:
        again: PathStore = opened.paths(DIGEST, LIMITS)
        assert [batch for batch in range(5) if again.read(0, batch) is None] == [2, 4]
