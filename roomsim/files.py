"""Writing files safely: a file with its final name is always complete. All files are written by these functions."""

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
_in_progress: set[Path] = set()
"""Temporary files that this process is writing."""
_CANNOT_SYNC = {errno.EACCES, errno.EPERM, errno.EINVAL, errno.EBADF, errno.ENOTSUP}
"""Errors of a file system on which folders cannot be synchronised, or not by this user."""


def replace_file(path: Path, content: bytes) -> None:
    """Write `content` to the disk under a temporary name, then rename the file.

    When this function returns, the file is stored durably. After a crash or a full disk at any earlier moment the
    previous file is unchanged; at worst a file that ends in `.tmp` remains, which `clear_unfinished` deletes.
    This relies on an atomic rename, which local disks provide.

    Raises
    ------
    StoreError : the disk is full, or the folder is missing or cannot be written
    """
    writer = f"{_HOST}-{os.getpid()}-{threading.get_native_id()}"
    unfinished = path.with_name(f"{path.name}.{writer}.tmp")
    _in_progress.add(unfinished)
    try:
        try:
            with unfinished.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            unfinished.replace(path)
        except BaseException:
            # If the disk fails, the file cannot be deleted either; the first error is the one to report.
            with suppress(OSError):
                unfinished.unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)
    except OSError as fault:
        raise unwritable(path, fault) from fault
    finally:
        _in_progress.discard(unfinished)


def discard_unfinished() -> None:
    """Delete the unfinished files of this process, before it is ended."""
    for unfinished in list(_in_progress):
        with suppress(OSError):
            unfinished.unlink()


def make_folder(folder: Path) -> None:
    """Make a folder and its parents, if they are missing, and synchronise their names to the disk.

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
    """Delete the files in a folder that earlier processes of this machine did not finish."""
    with suppress(OSError):
        for entry in list(folder.iterdir()):
            match = _UNFINISHED.fullmatch(entry.name)
            if match and match[1] == _HOST and not _is_running(int(match[2])):
                entry.unlink()


def _is_running(process: int) -> bool:
    if os.name == "nt":
        return True  # On Windows os.kill would end the process.
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def unwritable(path: Path, fault: OSError) -> StoreError:
    """The error for a file or folder that cannot be written, with the reason."""
    return StoreError(
        f"cannot write: {fault.strerror or fault}",
        file=path,
        cure="Free disk space or choose a writable folder, and run the command again: finished work is not lost.",
    )


def _sync_folder(folder: Path) -> None:
    # The new name must be written to the disk too. Windows neither has nor needs a call for this.
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
