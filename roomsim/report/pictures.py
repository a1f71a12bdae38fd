"""Pictures of a study, drawn by several processes at once.

Drawing keeps hold of the interpreter, so threads would not help. Every process draws its share from the
results alone and ends; what a helper does not finish, for whatever reason, is drawn here.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from matplotlib.figure import Figure

from ..study.results import Results
from .style import save_figure

_WORTH_A_PROCESS = 4
"""Pictures that take well longer to draw than a process to start."""

_HELPER = "import pickle, sys; sys.path[:] = pickle.load(sys.stdin.buffer); pickle.load(sys.stdin.buffer)()"
"""A process that is told where to import from, and then what to do. One of `multiprocessing` would run the
user's script again to start with."""


@dataclass(frozen=True)
class Picture:
    """A picture that is still to be drawn."""

    name: str
    """Of its files, without the ending."""
    description: str
    draw: Callable[[Results], Figure]
    """Of a module, or a `partial` of such: other processes must find it."""


def write_pictures(
    results: Results,
    pictures: Sequence[Picture],
    folder: Path,
    formats: Sequence[str] = ("png", "svg"),
    processes: int | None = None,
) -> list[Path]:
    """Draw pictures into a folder and return the paths of their files.

    Parameters
    ----------
    formats : "png", "svg", "pdf"
    processes : at most, this one among them; as many as there are cores unless given

    Raises
    ------
    StoreError : the folder cannot be made or written
    """
    n = max(1, min(processes or os.cpu_count() or 1, len(pictures) // _WORTH_A_PROCESS))
    own, *others = (partial(_draw, results, pictures[i::n], folder, formats) for i in range(n))
    with _helpers(others) as helpers:
        own()
        for helper, share in zip(helpers, others):
            if helper is None or helper.wait() != 0:
                share()
    return [folder / f"{picture.name}.{kind}" for picture in pictures for kind in formats]


def _draw(results: Results, pictures: Sequence[Picture], folder: Path, formats: Sequence[str]) -> None:
    for picture in pictures:
        save_figure(picture.draw(results), folder, picture.name, formats, picture.description)


@contextmanager
def _helpers(tasks: Sequence[Callable[[], None]]) -> Iterator[list[subprocess.Popen[bytes] | None]]:
    """A process at work on each task, or None where none could be started; none outlives the `with` block."""
    helpers: list[subprocess.Popen[bytes] | None] = []
    try:
        for task in tasks:
            helpers.append(_helper(task))
        yield helpers
    finally:
        for helper in helpers:
            if helper is not None:
                helper.kill()
                helper.wait()


def _helper(task: Callable[[], None]) -> subprocess.Popen[bytes] | None:
    # A file and not a pipe: the process reads when it has started, and this one draws meanwhile.
    try:
        with tempfile.TemporaryFile() as told:
            pickle.dump(sys.path, told)
            pickle.dump(task, told, pickle.HIGHEST_PROTOCOL)
            told.seek(0)
            # What goes wrong there goes wrong here again, where it is told.
            quiet = subprocess.DEVNULL
            return subprocess.Popen([sys.executable, "-c", _HELPER], stdin=told, stdout=quiet, stderr=quiet)
    except OSError:
        return None
