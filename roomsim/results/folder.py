"""The folder of a run: its contents, its lock, and the removal of unfinished files.

<study>.roomsim/
  study/                    the inputs as run, inputs.sha256
  lock, holder              the process that writes here
  paths-<digest>/SS-BBBBBB.h5   paths of source SS, batch BBBBBB; never changed once written
  results.h5, plan.h5       each replaced as a whole
  tables/, pictures/        made from these, each file replaced as a whole
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
    """Default folder of a run: beside the study file, with the same name."""
    return Path(study_path).with_suffix(".roomsim")


def is_of_a_run(name: str) -> bool:
    """Whether a run creates files or folders of this name in its folder."""
    return name in {"study", "lock", "holder", RESULTS, PLAN} or bool(_PATHS_FOLDER.fullmatch(name))


def paths_folders(folder: Path) -> list[Path]:
    """Folders of traced paths; links to other places are excluded.

    Raises
    ------
    OSError : the folder cannot be read
    """
    return sorted(
        entry
        for entry in folder.iterdir()
        if _PATHS_FOLDER.fullmatch(entry.name) and entry.is_dir() and not entry.is_symlink()
    )


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Prevent other processes from writing into the folder of a run within a `with` block.

    Files that an interrupted run left unfinished are deleted, and so are damaged files of paths that an earlier run set
    aside.

    Raises
    ------
    StoreError : another run holds the lock, or the folder cannot be written
    """
    lock, holder = filelock.FileLock(folder / "lock"), folder / "holder"
    try:
        lock.acquire(timeout=0)
    except filelock.Timeout:
        raise StoreError(
            f"is in use by another run{_holder_text(holder)}",
            file=folder,
            cure="Wait until it has finished, or name another folder.",
        ) from None
    except OSError as fault:
        raise unwritable(folder, fault) from fault
    try:
        now = datetime.now(UTC).isoformat(timespec="seconds")
        process = {"host": socket.gethostname(), "process": os.getpid(), "since": now}
        replace_file(holder, json.dumps(process).encode())
        with suppress(OSError):
            for entry in list(folder.rglob("*.tmp")) + list(folder.rglob(f"*{DAMAGED}")):
                if is_unfinished(entry.name) or _DAMAGED_PATHS.fullmatch(entry.name):
                    entry.unlink()
        yield
    finally:
        # If the disk can no longer be written, this was reported already with the file that could not be written.
        with suppress(OSError):
            holder.unlink(missing_ok=True)
        with suppress(OSError):
            lock.release()


def _holder_text(holder: Path) -> str:
    try:
        content = json.loads(holder.read_bytes())
        return f": process {content['process']} on {content['host']}, since {content['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        return ""  # The other process has taken the lock but not yet written this file.


@contextmanager
def outputs_in(folder: Path) -> Iterator[None]:
    """Create a folder for tables or pictures if it is missing, and lock it while they are written.

    Only the folder of a run, or a folder in it, is locked. No lock file is left in other folders: every file there is
    replaced as a whole, and users must not run two commands that write into the same folder.

    Raises
    ------
    StoreError : the folder cannot be created, or another run holds the lock
    """
    make_folder(folder)
    of_run = (at for at in (folder, folder.parent) if (at / RESULTS).is_file() or (at / PLAN).is_file())
    if (run := next(of_run, None)) is not None:
        with locked(run):
            yield
    else:
        clear_unfinished(folder)
        yield
