"""How every kernel is compiled, and when what was compiled before is still good."""

from __future__ import annotations

import hashlib
import pickle
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba
from numba.core.caching import FunctionCache, NullCache
from numba.core.serialize import dumps

from .errors import RoomsimError, RoomsimWarning
from .files import replace_file

# numba also reads `.numba_config.yaml` in the working folder, which may have come with a stranger's study and may
# say from where compiled code is loaded. Only the environment counts.
numba.core.config._config_fname = ""
numba.core.config.reload_config()

KERNEL_OPTIONS: dict[str, Any] = {
    # Compiled code is kept on disk: the second run starts in a second.
    "cache": True,
    # No-NaN and no-infinity are left out: a ray that misses is marked by infinity. Reassociation is allowed;
    # the order of sums over rays is fixed by the loops themselves, and one machine's results repeat bit for bit.
    "fastmath": {"nsz", "arcp", "contract", "afn", "reassoc"},
    # Division by zero gives infinity instead of a branch to an exception: slab tests rely on it.
    "error_model": "numpy",
    # Batches run in threads of their own.
    "nogil": True,
}

UNCOUNTED_OPTIONS: dict[str, Any] = {
    **KERNEL_OPTIONS,
    # Without reference counting: counting each array that is taken out of a tuple makes tracing three times slower.
    # Such a kernel must not allocate arrays; its caller owns all memory, scratch included.
    "_nrt": False,
}


def source_digest(folder: Path) -> str:
    """SHA-256 over all files below a folder that may hold kernels: those with a name that begins with an underscore."""
    total = hashlib.sha256()
    for path in sorted(folder.rglob("_[!_]*.py")):
        total.update(path.read_bytes())
    return total.hexdigest()


COMPILED = ".compiled"
"""Ending of files that hold compiled code."""

_DIGEST = source_digest(Path(__file__).parent)


class KernelCache(FunctionCache):
    """Compiled code of one function on disk, in a file for each signature, where numba would keep it.

    A file begins with a digest of all that follows and one of what it was compiled from. What is damaged or out of
    date is compiled again; what cannot be kept is not, and the work goes on. The digest guards against cut and
    garbled files, not against ill will: what is loaded is run, as the program itself is. The folder is that of the
    program's own byte code or, where that cannot be written, the user's own.
    """

    def load_overload(self, signature: Any, target_context: Any) -> Any:
        """The compiled function, or None if it must be compiled."""
        target_context.refresh()
        path, made_from = self._place(signature, target_context.codegen())
        try:
            content = path.read_bytes()
        except OSError as fault:
            if not isinstance(fault, FileNotFoundError):
                _tell(f"cannot be read ({fault.strerror})", path)
            return None
        seal, stamp, compiled = content[:32], content[32:64], content[64:]
        if _sha256(content[32:]) != seal:
            _tell("is damaged", path)
            return None
        if stamp != made_from:
            return None
        try:
            return self._impl.rebuild(target_context, pickle.loads(compiled))
        except Exception as fault:
            _tell(f"cannot be used ({type(fault).__name__})", path)
            return None

    def save_overload(self, signature: Any, result: Any) -> None:
        """Keep a compiled function, if that can be."""
        if not self._impl.check_cachable(result):
            return
        path, made_from = self._place(signature, result.codegen)
        compiled = dumps(self._impl.reduce(result))
        content = made_from + compiled
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            replace_file(path, _sha256(content) + content)
        except (OSError, RoomsimError) as fault:
            reason = fault.strerror if isinstance(fault, OSError) else fault.fault
            _tell(f"cannot be kept ({reason})", path, _EVERY_TIME)

    def _place(self, signature: Any, codegen: Any) -> tuple[Path, bytes]:
        """The file for a signature on this machine, and the digest of what it must have been compiled from."""
        _, target, code = self._index_key(signature, codegen)
        name = _sha256(repr((signature, target)).encode()).hex()[:16]
        source = (numba.__version__, self._impl.locator.get_source_stamp(), _DIGEST, code)
        return Path(self.cache_path, f"{self._impl.filename_base}.{name}{COMPILED}"), _sha256(repr(source).encode())


def _sha256(content: bytes) -> bytes:
    return hashlib.sha256(content).digest()


_NOW = "It is compiled again, which takes up to a minute."
_EVERY_TIME = "Every run compiles it again, which takes up to a minute, until that is mended."
_told: set[str] = set()


def _tell(what: str, path: Path, then: str = _NOW) -> None:
    """Warn, once for each way of going on: what holds for one file mostly holds for the others."""
    if then not in _told:
        _told.add(then)
        warnings.warn(f"compiled code {what}: {path}. {then}", RoomsimWarning, stacklevel=2)


def njit(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """numba.njit with a `KernelCache`, good only as long as no file with kernels has changed.

    numba's own looks at the file of the function alone. Compiled code holds the functions that it calls, too, and
    would go on with the old ones when they change in another file. And it ends in an error for ever when one of its
    files is damaged, or when there is no place where it could write.
    """
    is_kept = options.pop("cache", False)

    def compiled(function: Callable[..., Any]) -> Any:
        kernel = numba.njit(**options)(function)
        if is_kept and not numba.config.DISABLE_JIT:
            kernel._cache = _cache_of(function)
        return kernel

    return compiled


def _cache_of(function: Callable[..., Any]) -> KernelCache | NullCache:
    try:
        return KernelCache(function)
    except (OSError, RuntimeError):  # No folder that can be written.
        where = Path(function.__code__.co_filename).parent / "__pycache__"
        _tell("cannot be kept (neither this nor a folder of the user can be written)", where, _EVERY_TIME)
        return NullCache()
