"""The folder of a run: its inputs, the traced paths with one file per batch, and the results.

A batch is complete when its file has its final name. The state of a run follows from these files alone, so that an
interrupted run resumes where it stopped and ends with bit-identical results.
"""

from __future__ import annotations

import hashlib
import re
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any

import h5py
import numpy as np

from ..errors import StoreError
from ..files import make_folder, replace_file, unwritable
from ..results import hdf5
from ..results.folder import DAMAGED, RESULTS, is_of_a_run, locked, paths_folders
from ..tracing.paths import BRANCHED, END_OF_RAY, MAX_BRANCHES, PathLog

PATHS_KIND = "roomsim paths"
PATHS_SCHEMA = 2

_ARRAYS: dict[str, tuple[str, tuple[int | None, ...]]] = {
    "ray_end": ("<i8", (None,)),
    "component": ("|u1", (None,)),
    "emission": ("<f4", (None, 8)),
    "event": ("<u2", (None,)),
    "n_deposits": ("<u2", (None,)),
    "share": ("<f4", (None,)),
    "receiver": ("<u4", (None,)),
    "path_length": ("<f4", (None,)),
    "chord": ("<f4", (None,)),
    "lost_positions": ("<f4", (None, 3)),
    "lost_directions": ("<f4", (None, 3)),
}
_COUNTS = ("source", "batch", "n_rays", "n_lost")

Part = str | bytes | int | float | np.ndarray
Notice = Callable[[str], None]


def digest(parts: Mapping[str, Part]) -> str:
    """SHA-256 over named values, as 64 hexadecimal digits.

    Any change of a name, a value, a type or a shape changes it; the order of the mapping does not.
    """
    total = hashlib.sha256()
    for name in sorted(parts):
        part = parts[name]
        if isinstance(part, np.ndarray):
            values = np.ascontiguousarray(part, dtype=part.dtype.newbyteorder("<"))
            kind, content = f"{values.dtype.str} {part.shape}", values.tobytes()
        elif isinstance(part, bytes):
            kind, content = "bytes", part
        else:
            kind, content = type(part).__name__, repr(part).encode()
        # The lengths mark where one piece ends and the next begins.
        for piece in (name.encode(), kind.encode(), content):
            total.update(len(piece).to_bytes(8, "little"))
            total.update(piece)
    return total.hexdigest()


@dataclass(frozen=True)
class LogLimits:
    """The ranges of the indices in a path log. They are checked on reading: the compiled replay does not check them."""

    sheet: np.ndarray
    """(n_patches,) int, 0 or more where a patch is a free-hanging sheet."""
    n_receivers: int
    n_components: int


class StudyStore:
    """The folder of a study, locked by one writer at a time.

    Use it as a context: `with StudyStore(folder) as store: ...`

    Parameters
    ----------
    folder : created if it is missing
    notice : called with a sentence about a problem that was found and corrected

    Raises
    ------
    StoreError : another run is using the folder, it cannot be written, or it is not the folder of a run
    """

    def __init__(self, folder: Path, notice: Notice = lambda text: None):
        self.folder = folder
        self.results_path = folder / RESULTS
        self._notice = notice

    def __enter__(self) -> StudyStore:
        make_folder(self.folder)
        try:
            names = [entry.name for entry in self.folder.iterdir()]
        except OSError as fault:
            raise unwritable(self.folder, fault) from fault
        if names and not any(map(is_of_a_run, names)):
            raise StoreError(
                f"is not the folder of a run: it holds '{min(names)}' and nothing that a run writes",
                file=self.folder,
                cure="Give a new folder, or the folder of an earlier run.",
            )
        self._lock = locked(self.folder)
        self._lock.__enter__()
        return self

    def __exit__(self, *fault: Any) -> None:
        self._lock.__exit__(*fault)

    def keep_inputs(self, folder: Path, digests: Mapping[str, str]) -> None:
        """Copy the files from which the study was read, with their SHA-256 in the format of `sha256sum -c`.

        Parameters
        ----------
        folder : of the study
        digests : path relative to it -> SHA-256 of the bytes that were read

        Raises
        ------
        StoreError : a file has changed since it was read, or the copy cannot be written
        """
        copies = self.folder / "study"
        sums = []
        for name, digest in sorted(digests.items()):
            copy = copies / _inside(name)
            try:
                content = (folder / name).read_bytes()
            except OSError as fault:
                raise _unreadable(folder / name, fault) from fault
            make_folder(copy.parent)
            if hashlib.sha256(content).hexdigest() != digest:
                raise StoreError("has changed since it was read", file=folder / name, cure="Run again.")
            replace_file(copy, content)
            sums.append(f"{digest}  {_inside(name)}\n")
        replace_file(copies / "inputs.sha256", "".join(sums).encode())

    def forget_paths(self) -> None:
        """Delete all traced paths. Other files with a similar name, and links to other folders, are not deleted."""
        try:
            for folder in paths_folders(self.folder):
                shutil.rmtree(folder)
        except OSError as fault:
            raise unwritable(self.folder, fault) from fault

    def paths(self, digest: str, limits: LogLimits) -> PathStore:
        """The store of the paths with this digest of all that they depend on."""
        folder = self.folder / f"paths-{digest[:8]}"
        make_folder(folder)
        return PathStore(folder, digest, limits, self._notice)


def _inside(name: str) -> str:
    """The name of a copy: a file outside the study's folder must not be copied to a place outside the copy."""
    path = PurePath(name)
    return "/".join("up" if part == ".." else part for part in path.parts if part != path.anchor)


class MemoryStore:
    """Path logs held in memory, where nothing is to be stored in a folder."""

    def __init__(self) -> None:
        self._logs: dict[tuple[int, int], PathLog] = {}

    def batches(self, source: int) -> list[int]:
        """Numbers of the stored batches, ascending."""
        return sorted(batch for log_source, batch in self._logs if log_source == source)

    def write(self, log: PathLog) -> None:
        """Store a batch."""
        self._logs[log.source, log.batch] = log

    def read(self, source: int, batch: int) -> PathLog | None:
        """A batch; None if there is none."""
        return self._logs.get((source, batch))


class PathStore:
    """The path logs of one tracing set-up. Several threads may write at the same time, in any order."""

    def __init__(self, folder: Path, digest: str, limits: LogLimits, notice: Notice):
        self.folder = folder
        self._digest = digest
        self._limits = limits
        self._notice = notice

    def _file(self, source: int, batch: int) -> Path:
        return self.folder / f"{source:02d}-{batch:06d}.h5"

    def batches(self, source: int) -> list[int]:
        """Numbers of the stored batches, ascending."""
        try:
            names = [entry.name for entry in self.folder.iterdir()]
        except OSError as fault:
            raise _unreadable(self.folder, fault) from fault
        matches = (re.fullmatch(r"(\d{2,})-(\d{6,})\.h5", name) for name in names)
        return sorted(int(match[2]) for match in matches if match and int(match[1]) == source)

    def write(self, log: PathLog) -> None:
        """Store a batch. When this returns, it is on the disk; the same log gives the same bytes.

        Raises
        ------
        StoreError : the disk is full or cannot be written; earlier batches are not affected
        """

        def fill(file: h5py.File) -> None:
            file.attrs["digest"] = self._digest
            file.attrs["lost_energy"] = float(log.lost_energy)
            for name in _COUNTS:
                file.attrs[name] = int(getattr(log, name))
            # Not compressed: compression takes as long as tracing and would at best halve the size.
            for name, (dtype, _) in _ARRAYS.items():
                file.create_dataset(name, data=np.asarray(getattr(log, name)).astype(dtype, casting="equiv"))

        replace_file(self._file(log.source, log.batch), hdf5.file_image(PATHS_KIND, PATHS_SCHEMA, fill))

    def read(self, source: int, batch: int) -> PathLog | None:
        """A batch as it was written; None if there is none or it is damaged.

        A damaged file is renamed, so that the batch can be traced and written again, and a notice is issued.

        Raises
        ------
        StoreError : the file exists, but reading it is not permitted
        """
        path = self._file(source, batch)
        try:
            with path.open("rb"):
                pass
        except FileNotFoundError:
            return None
        except OSError as fault:
            raise _unreadable(path, fault) from fault
        try:
            with hdf5.open_checked(path, PATHS_KIND, PATHS_SCHEMA) as file:
                return self._checked(file, source, batch)
        except hdf5.UNREADABLE as fault:
            set_aside = path.with_name(path.name + DAMAGED)
            try:
                path.replace(set_aside)
            except OSError as stuck:
                raise unwritable(set_aside, stuck) from fault
            reason = fault if isinstance(fault, hdf5.ContentError) else "not a readable HDF5 file"
            self._notice(
                f"{path.name}: damaged ({reason}). The batch is traced again; the file is kept as "
                f"{set_aside.name} until the next run."
            )
            return None

    def _checked(self, file: h5py.File, source: int, batch: int) -> PathLog:
        if hdf5.attribute(file, "digest", str) != self._digest:
            raise hdf5.ContentError("its paths belong to another tracing set-up")
        counts = {name: hdf5.attribute(file, name, int) for name in _COUNTS}
        if (counts["source"], counts["batch"]) != (source, batch):
            raise hdf5.ContentError("its name does not match its content")
        arrays = {name: hdf5.array(file, name, dtype, shape) for name, (dtype, shape) in _ARRAYS.items()}
        values: dict[str, Any] = {**counts, **arrays}
        log = PathLog(**values, lost_energy=hdf5.attribute(file, "lost_energy", float))
        _check_indices(log, self._limits)
        return log


def _unreadable(path: Path, fault: OSError) -> StoreError:
    return StoreError(f"cannot read: {fault.strerror or fault}", file=path, cure="Check the read permissions.")


def _check_indices(log: PathLog, limits: LogLimits) -> None:
    """Raise if lengths disagree or an index is out of range."""
    ends, n_deposits = log.ray_end, len(log.receiver)
    n_patches = len(limits.sheet)
    is_event = log.event != END_OF_RAY
    event = log.event & ~np.uint16(BRANCHED)
    # Branches left after each segment, one fewer for every earlier ray: -1 when the ray itself has ended.
    branches_left = np.cumsum(np.where(is_event, log.event >= BRANCHED, -1), dtype=np.int64)
    is_consistent = (
        len(ends) == len(log.component) == len(log.emission) == log.n_rays
        and len(log.n_deposits) == log.n_segments
        and len(log.path_length) == len(log.chord) == n_deposits == log.n_deposits.sum(dtype=np.int64)
        and len(log.lost_positions) == len(log.lost_directions)
        and (ends[-1] if len(ends) else 0) == log.n_segments
        and bool(np.all(np.diff(ends, prepend=0) > 0))
        and bool(np.all((event < 3 * n_patches) | ~is_event))
        and len(log.share) == np.count_nonzero(limits.sheet[event[is_event] // 3] >= 0)
        and bool(np.all(log.share > 0.0))
        and _branches_fit(branches_left, ends)
        and bool(np.all(log.receiver < limits.n_receivers))
        and bool(np.all(log.component < limits.n_components))
    )
    if not is_consistent:
        raise hdf5.ContentError("its counts and indices are inconsistent")


def _branches_fit(branches_left: np.ndarray, ends: np.ndarray) -> bool:
    """True if every ray ends exactly where none of its branches is left to be traced.

    branches_left : (n_segments,) branches left to be traced after each segment, minus the number of rays ended
    """
    of_ray = branches_left + np.repeat(np.arange(len(ends)), np.diff(ends, prepend=0))
    last = np.zeros(len(branches_left), bool)
    last[ends - 1] = True
    return bool(np.all(np.where(last, of_ray == -1, (of_ray >= 0) & (of_ray <= MAX_BRANCHES))))
