"""Writing files so that a name always stands for a whole file."""

from __future__ import annotations

import os
import threading
from pathlib import Path

from ..errors import StoreError

UNFINISHED = ".tmp"
"""Ending of a file that is being written; what is left of one after a crash may be deleted."""


def replace_file(path: Path, content: bytes) -> None:
    """Write `content` under a temporary name, to the disk, and only then give it its name.

    When this returns the file is on the disk and stays there. A crash or a full disk at any moment before
    leaves what was there before, and at worst a file that ends in `.tmp`. Safety rests on the rename being
    atomic, as it is on a local disk.

    Raises
    ------
    StoreError : the disk is full, or the folder is missing or cannot be written
    """
    unfinished = path.with_name(f"{path.name}.{os.getpid()}-{threading.get_ident()}{UNFINISHED}")
    try:
        try:
            with unfinished.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            unfinished.replace(path)
        except BaseException:
            unfinished.unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)
    except OSError as fault:
        raise unwritable(path, fault) from fault


def unwritable(path: Path, fault: OSError) -> StoreError:
    return StoreError(
        f"cannot write: {fault.strerror or fault}",
        file=path,
        cure="Make room or choose a folder that can be written, and run again: what was finished is kept.",
    )


def _sync_folder(folder: Path) -> None:
    # The new name must reach the disk too. Windows has no call for it and does not need one.
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
