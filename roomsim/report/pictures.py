"""Pictures of a study, drawn by several processes in parallel.

Drawing holds the interpreter lock, so threads would not help. Every process draws its share from the results and ends.
Pictures that a helper process does not finish, for whatever reason, are drawn by this process.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from ..errors import PictureWarning, RoomsimWarning, StoreError
from ..results.folder import outputs_in
from .fonts import fonts_for, not_drawable
from .style import save_figure

_WORTH_A_PROCESS = 4
"""Number of pictures that take much longer to draw than a process takes to start."""

_HELPER = Path(__file__).with_name("drawing_process.py")
"""A process of `multiprocessing` would first run the user's script again."""

_Failures = dict[str, str]
"""Name of a picture -> reason why it could not be drawn."""


@dataclass(frozen=True)
class Picture:
    """A picture to be drawn."""

    name: str
    """Name of its files, without the extension."""
    description: str
    draw: Callable[[Any], Figure]
    """Function of the results. If several processes draw, it must be a function of a module, or a `partial` of one, so
    that they can import it."""


def on_sheets(
    name: str, description: str, draw: Callable[..., Figure], parts: Sequence[int], at_most: int
) -> list[Picture]:
    """A picture of many parts, distributed evenly over as few sheets as possible.

    Parameters
    ----------
    draw : function of the results, of the parts of a sheet (`chosen`), and of the number of the sheet for the title
        (`sheet`)
    parts : numbers of all parts
    at_most : largest number of parts on a sheet
    """
    if len(parts) <= at_most:
        return [Picture(name, description, partial(draw, chosen=list(parts)))] if parts else []
    shares = np.array_split(parts, -(-len(parts) // at_most))
    sheets = [f" (sheet {i} of {len(shares)})" for i in range(1, len(shares) + 1)]
    draws = [partial(draw, chosen=share.tolist(), sheet=sheet) for share, sheet in zip(shares, sheets)]
    return [Picture(f"{name}_{i}", description, drawn) for i, drawn in enumerate(draws, start=1)]


def write_pictures(
    results: Any,
    pictures: Sequence[Picture],
    folder: Path,
    formats: Sequence[str] = ("png", "svg"),
    processes: int | None = None,
) -> list[Path]:
    """Draw pictures into a folder and return the paths of their files.

    A picture that cannot be drawn is omitted with a `PictureWarning`; its file from an earlier run is not changed.

    Parameters
    ----------
    results : argument of each picture's `draw`
    formats : "png", "svg", "pdf"
    processes : largest number of processes, including this one; by default the number of cores

    Raises
    ------
    StoreError : the folder cannot be created or written, or another run holds it
    """
    n = max(1, min(processes or os.cpu_count() or 1, len(pictures) // _WORTH_A_PROCESS))
    own, *others = (partial(_draw, results, pictures[i::n], folder, formats) for i in range(n))
    with outputs_in(folder), _helpers(others) as helpers:
        failures = own()
        for helper, share in zip(helpers, others):
            if helper is None or helper.wait() != 0:
                # A failure in the helper occurs here again and is reported.
                failures |= share()
    missing = not_drawable(results)
    if missing:
        warnings.warn(
            f"no font of this machine has the characters {missing[:40]} of names in the study: PNG and PDF pictures "
            "show boxes in their place. Install a font that has them, and draw again.",
            RoomsimWarning,
            stacklevel=2,
        )
    for name, reason in failures.items():
        warnings.warn(f"the picture '{name}' could not be drawn ({reason}).", PictureWarning, stacklevel=2)
    drawn = [picture for picture in pictures if picture.name not in failures]
    return [folder / f"{picture.name}.{kind}" for picture in drawn for kind in formats]


def _draw(results: Any, pictures: Sequence[Picture], folder: Path, formats: Sequence[str]) -> _Failures:
    failures = {}
    for picture in pictures:
        try:
            with fonts_for(results):
                save_figure(picture.draw(results), folder, picture.name, formats, picture.description)
        except StoreError:
            raise  # The disk cannot be written: the next picture would fail too.
        except Exception as fault:
            failures[picture.name] = f"{type(fault).__name__}: {fault}"
    return failures


@contextmanager
def _helpers(tasks: Sequence[Callable[[], _Failures]]) -> Iterator[list[subprocess.Popen[bytes] | None]]:
    """A process for each task, or None if it could not be started. All of them end with the `with` block."""
    helpers: list[subprocess.Popen[bytes] | None] = []
    try:
        for _ in tasks:
            helpers.append(_helper())
        # The processes start in parallel. Each reads its task first, so this process does not wait long for any.
        for helper, task in zip(helpers, tasks):
            if helper is not None and helper.stdin is not None:
                pickled = pickle.dumps(task, pickle.HIGHEST_PROTOCOL)
                request = pickle.dumps((str(Path(__file__).parents[1]), _import_path(), pickled))
                with suppress(OSError):  # The process has already ended.
                    helper.stdin.write(len(request).to_bytes(8, "little") + request)
                    helper.stdin.flush()
        yield helpers
    finally:
        for helper in helpers:
            if helper is not None:
                helper.kill()
                helper.wait()
                with suppress(OSError):
                    if helper.stdin is not None:
                        helper.stdin.close()


def _helper() -> subprocess.Popen[bytes] | None:
    quiet = subprocess.DEVNULL
    try:
        return subprocess.Popen([sys.executable, "-I", str(_HELPER)], stdin=subprocess.PIPE, stdout=quiet, stderr=quiet)
    except OSError:
        return None


def _import_path() -> list[str]:
    """The import path of this process, without the working folder."""
    here = os.getcwd()
    return [entry for entry in sys.path if os.path.isabs(entry) and os.path.realpath(entry) != os.path.realpath(here)]
