"""The folder of a run: who may write there, and what is cleared away when somebody does.

<study>.roomsim/
  study/                    the inputs as run, inputs.sha256
  lock, holder              who writes here
  paths-<digest>/SS-BBBBBB.h5   paths of source SS, batch BBBBBB; never changed once there
  results.h5, plan.h5       replaced whole
  tables/, pictures/        made from these, each file replaced whole
"""

from __future__ import annotations

import json
import os
import re
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

import filelock

from ..errors import StoreError
from ..files import clear_unfinished, is_unfinished, make_folder, replace_file, unwritable

RESULTS, PLAN = "results.h5", "plan.h5"
DAMAGED = ".damaged"
"""Ending of a file of paths that could not be read; the next run deletes it."""

_PATHS_FOLDER = re.compile(r"paths-[0-9a-f]{8}")
_DAMAGED_PATHS = re.compile(r"\d{2,}-\d{6,}\.h5" + re.escape(DAMAGED))


def default_folder(study_path: str | Path) -> Path:
    """Folder of a run unless the user names one: beside the study file, with its name."""
    return Path(study_path).with_suffix(".roomsim")


def is_of_a_run(name: str) -> bool:
    """True for a name that a run gives to what it puts into its folder."""
    return name in {"study", "lock", "holder", RESULTS, PLAN} or bool(_PATHS_FOLDER.fullmatch(name))


def paths_folders(folder: Path) -> list[Path]:
    """Folders of traced paths: of our naming, and no links to elsewhere.

    Raises
    ------
    OSError : the folder cannot be read
    """
    return sorted(
        entry
        for entry in folder.iterdir()
        if _PATHS_FOLDER.fullmatch(entry.name) and entry.is_dir() and not entry.is_symlink()
    )


class FolderLock:
    """Keeps others from writing into the folder of a run. Use it as a context.

    What a stopped run left unfinished is deleted, and so are damaged files of paths that an earlier one set aside.

    Raises
    ------
    StoreError : another run holds the folder, or it cannot be written
    """

    def __init__(self, folder: Path):
        self.folder = folder
        self._lock = filelock.FileLock(folder / "lock")

    def __enter__(self) -> FolderLock:
        try:
            self._lock.acquire(timeout=0)
        except filelock.Timeout:
            raise StoreError(
                f"is in use by another run{self._holder()}",
                file=self.folder,
                cure="Wait until it has finished, or name another folder.",
            ) from None
        except OSError as fault:
            raise unwritable(self.folder, fault) from fault
        try:
            now = datetime.now(UTC).isoformat(timespec="seconds")
            me = {"host": socket.gethostname(), "process": os.getpid(), "since": now}
            replace_file(self.folder / "holder", json.dumps(me).encode())
            self._clear()
        except BaseException:
            self._release()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._release()

    def _release(self) -> None:
        # If the disk can no longer be written, that has been reported already, with the file where it was noticed.
        with suppress(OSError):
            (self.folder / "holder").unlink(missing_ok=True)
        with suppress(OSError):
            self._lock.release()

    def _clear(self) -> None:
        with suppress(OSError):
            for entry in list(self.folder.rglob("*.tmp")) + list(self.folder.rglob(f"*{DAMAGED}")):
                if is_unfinished(entry.name) or _DAMAGED_PATHS.fullmatch(entry.name):
                    entry.unlink()

    def _holder(self) -> str:
        try:
            found = json.loads((self.folder / "holder").read_bytes())
            return f": process {found['process']} on {found['host']}, since {found['since']}"
        except (OSError, ValueError, KeyError, TypeError):
            return ""  # Between taking the lock and writing down who: the refusal stands all the same.


@contextmanager
def outputs_in(folder: Path) -> Iterator[None]:
    """A folder that tables or pictures are about to be written into, made if it is missing.

    If it is the folder of a run, or lies in one, that is locked meanwhile. Elsewhere no lock is left lying about:
    every file is whole, and two commands that write into one folder must agree on who goes first.

    Raises
    ------
    StoreError : the folder cannot be made, or another run holds it
    """
    make_folder(folder)
    of_run = (at for at in (folder, folder.parent) if (at / RESULTS).is_file() or (at / PLAN).is_file())
    if (run := next(of_run, None)) is not None:
        with FolderLock(run):
            yield
    else:
        clear_unfinished(folder)
        yield
