"""Pictures of a study, drawn by several processes at once.

Drawing keeps hold of the interpreter, so threads would not help. Every process draws its share from the
results alone and ends; what a helper does not finish, for whatever reason, is drawn here.
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
"""Pictures that take well longer to draw than a process to start."""

_HELPER = Path(__file__).with_name("drawing_process.py")
"""One of `multiprocessing` would run the user's script again to start with."""

_Failures = dict[str, str]
"""Name of a picture -> why it could not be drawn."""


@dataclass(frozen=True)
class Picture:
    """A picture that is still to be drawn."""

    name: str
    """Of its files, without the ending."""
    description: str
    draw: Callable[[Any], Figure]
    """From the results. Of a module, or a `partial` of such, where several processes draw: they must find it."""


def on_sheets(
    name: str, description: str, draw: Callable[..., Figure], parts: Sequence[int], at_most: int
) -> list[Picture]:
    """A picture of many parts on as few sheets as hold them, each about as full.

    Parameters
    ----------
    draw : from the results, the parts of a sheet as `chosen`, and, for the title, which of several it is as `sheet`
    parts : numbers of all
    at_most : parts that one sheet holds
    """
    if len(parts) <= at_most:
        return [Picture(name, description, partial(draw, chosen=list(parts)))] if parts else []
    shares = np.array_split(parts, -(-len(parts) // at_most))
    return [
        Picture(
            f"{name}_{i}", description, partial(draw, chosen=share.tolist(), sheet=f" (sheet {i} of {len(shares)})")
        )
        for i, share in enumerate(shares, start=1)
    ]


def write_pictures(
    results: Any,
    pictures: Sequence[Picture],
    folder: Path,
    formats: Sequence[str] = ("png", "svg"),
    processes: int | None = None,
) -> list[Path]:
    """Draw pictures into a folder and return the paths of their files.

    A picture that cannot be drawn is left out with a `PictureWarning`; a file of an earlier one stays as it was.

    Parameters
    ----------
    results : what each picture is drawn from
    formats : "png", "svg", "pdf"
    processes : at most, this one among them; as many as there are cores unless given

    Raises
    ------
    StoreError : the folder cannot be made or written, or another run holds it
    """
    n = max(1, min(processes or os.cpu_count() or 1, len(pictures) // _WORTH_A_PROCESS))
    own, *others = (partial(_draw, results, pictures[i::n], folder, formats) for i in range(n))
    with outputs_in(folder), _helpers(others) as helpers:
        failures = own()
        for helper, share in zip(helpers, others):
            if helper is None or helper.wait() != 0:
                # What went wrong there goes wrong here again, where it is reported.
                failures |= share()
    boxes = not_drawable(results)
    if boxes:
        warnings.warn(
            f"no font of this machine has the characters {boxes[:40]} of names in the study: PNG and PDF pictures show "
            "boxes in their place. Install a font that has them, and draw again.",
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
            raise  # The disk: the next picture would fare no better.
        except Exception as fault:
            failures[picture.name] = f"{type(fault).__name__}: {fault}"
    return failures


@contextmanager
def _helpers(tasks: Sequence[Callable[[], _Failures]]) -> Iterator[list[subprocess.Popen[bytes] | None]]:
    """A process at work on each task, or None where none could be started; none outlives the `with` block."""
    helpers: list[subprocess.Popen[bytes] | None] = []
    try:
        for _ in tasks:
            helpers.append(_helper())
        # They start side by side, and none keeps this process waiting for long: each reads its order first.
        for helper, task in zip(helpers, tasks):
            if helper is not None and helper.stdin is not None:
                order = pickle.dumps(
                    (str(Path(__file__).parents[1]), _import_path(), pickle.dumps(task, pickle.HIGHEST_PROTOCOL))
                )
                with suppress(OSError):  # It has ended already.
                    helper.stdin.write(len(order).to_bytes(8, "little") + order)
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
    """Where this process imports from, without the folder that the user happens to be in."""
    here = os.getcwd()
    return [entry for entry in sys.path if os.path.isabs(entry) and os.path.realpath(entry) != os.path.realpath(here)]
