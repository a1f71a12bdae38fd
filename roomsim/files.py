"""Writing files so that a name always stands for a whole file: the one way in which anything is written."""

from __future__ import annotations

import errno
import os
import re
import socket
import threading
import zlib
from contextlib import suppress
from pathlib import Path

from .errors import StoreError

_HOST = f"{zlib.crc32(socket.gethostname().encode()):08x}"
_UNFINISHED = re.compile(rf".+\.([0-9a-f]{{{len(_HOST)}}})-(\d+)-\d+\.tmp")
_at_work: set[Path] = set()
"""What this process is writing."""
_CANNOT_SYNC = {errno.EACCES, errno.EPERM, errno.EINVAL, errno.EBADF, errno.ENOTSUP}
"""Answers of a system that has no way to write a folder's names to the disk, or not for this user."""


def replace_file(path: Path, content: bytes) -> None:
    """Write `content` under a temporary name, to the disk, and only then give it its name.

    When this returns the file is on the disk and stays there. A crash or a full disk at any moment before
    leaves what was there before, and at worst a file that ends in `.tmp`, which `clear_unfinished` deletes.
    Safety rests on the rename being atomic, as it is on a local disk.

    Raises
    ------
    StoreError : the disk is full, or the folder is missing or cannot be written
    """
    writer = f"{_HOST}-{os.getpid()}-{threading.get_native_id()}"
    unfinished = path.with_name(f"{path.name}.{writer}.tmp")
    _at_work.add(unfinished)
    try:
        try:
            with unfinished.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            unfinished.replace(path)
        except BaseException:
            # A disk that cannot be written any more cannot be tidied either; what went wrong first is told.
            with suppress(OSError):
                unfinished.unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)
    except OSError as fault:
        raise unwritable(path, fault) from fault
    finally:
        _at_work.discard(unfinished)


def discard_unfinished() -> None:
    """Delete what this process has not finished writing, before it is left in the midst of that."""
    for unfinished in list(_at_work):
        with suppress(OSError):
            unfinished.unlink()


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, if they are missing, and have their names on the disk.

    Raises
    ------
    StoreError : it cannot be made
    """
    try:
        made = [folder, *(above for above in folder.parents if not above.exists())]
        folder.mkdir(parents=True, exist_ok=True)
        for new in made:
            _sync_folder(new.parent)
    except OSError as fault:
        raise unwritable(folder, fault) from fault


def is_unfinished(name: str) -> bool:
    """True for the name of a file that `replace_file` is writing, or was writing when it was stopped."""
    return _UNFINISHED.fullmatch(name) is not None


def clear_unfinished(folder: Path) -> None:
    """Delete what processes of this machine that are no more have left unfinished in a folder."""
    with suppress(OSError):
        for entry in list(folder.iterdir()):
            match = _UNFINISHED.fullmatch(entry.name)
            if match and match[1] == _HOST and not _is_running(int(match[2])):
                entry.unlink()


def _is_running(process: int) -> bool:
    if os.name == "nt":
        return True  # Asking would stop it there.
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def unwritable(path: Path, fault: OSError) -> StoreError:
    """The error that says that a file or folder cannot be written, and why."""
    return StoreError(
        f"cannot write: {fault.strerror or fault}",
        file=path,
        cure="Make room or choose a folder that can be written, and run again: what was finished is kept.",
    )


def _sync_folder(folder: Path) -> None:
    # The new name must reach the disk too. Windows has no call for it and does not need one.
    if os.name == "nt":
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as fault:
        if fault.errno not in _CANNOT_SYNC:
            raise
