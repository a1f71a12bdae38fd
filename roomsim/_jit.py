"""How the kernels are compiled, and when compiled code on disk may be used again."""

from __future__ import annotations

import hashlib
import pickle
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba
from numba.core.caching import FunctionCache
from numba.core.serialize import dumps

from .errors import RoomsimError, RoomsimWarning
from .files import replace_file

# numba also reads `.numba_config.yaml` in the working folder. That file may have come with a study from elsewhere and
# can set the folder from which compiled code is loaded. Only environment variables are honoured.
numba.core.config._config_fname = ""
numba.core.config.reload_config()

KERNEL_OPTIONS: dict[str, Any] = {
    # Compiled code is stored on disk, so that the next run starts within a second.
    "cache": True,
    # No-NaN and no-infinity are omitted: a ray that misses is marked by infinity. Reassociation is allowed: the
    # loops fix the order of the sums over rays, and results on one machine repeat bit for bit.
    "fastmath": {"nsz", "arcp", "contract", "afn", "reassoc"},
    # Division by zero gives infinity rather than an exception; the slab tests rely on it.
    "error_model": "numpy",
    # Batches run in separate threads.
    "nogil": True,
}

UNCOUNTED_OPTIONS: dict[str, Any] = {
    **KERNEL_OPTIONS,
    # No reference counting: counting each array that is taken out of a tuple makes tracing three times slower. Such
    # a kernel must not allocate arrays; its caller owns all memory, working memory included.
    "_nrt": False,
}


def source_digest(folder: Path) -> str:
    """SHA-256 over all files below a folder that may contain kernels: those whose names begin with an underscore."""
    total = hashlib.sha256()
    for path in sorted(folder.rglob("_[!_]*.py")):
        total.update(path.read_bytes())
    return total.hexdigest()


COMPILED = ".compiled"
"""Suffix of files that contain compiled code."""

_DIGEST = source_digest(Path(__file__).parent)


class KernelCache(FunctionCache):
    """Compiled code of one function on disk, in one file for each signature, in the folder that numba would use.

    A file begins with a digest of the rest of the file and a digest of the source that it was compiled from. Files
    that are damaged or out of date are compiled again; where a file cannot be written, the program continues without
    it. The digest protects against truncated and corrupted files, not against tampering: what is loaded is executed,
    as the program itself is. The folder is that of the program's byte code or, where that is not writable, the
    user's cache folder.
    """

    def load_overload(self, signature: Any, target_context: Any) -> Any:
        """The compiled function, or None if it must be compiled."""
        target_context.refresh()
        path, made_from = self._place(signature, target_context.codegen())
        try:
            content = path.read_bytes()
        except OSError as fault:
            if not isinstance(fault, FileNotFoundError):
                _warn_once(f"cannot be read ({fault.strerror})", path)
            return None
        seal, stamp, compiled = content[:32], content[32:64], content[64:]
        if _sha256(content[32:]) != seal:
            _warn_once("is damaged", path)
            return None
        if stamp != made_from:
            return None
        try:
            return self._impl.rebuild(target_context, pickle.loads(compiled))
        except Exception as fault:
            _warn_once(f"cannot be used ({type(fault).__name__})", path)
            return None

    def save_overload(self, signature: Any, result: Any) -> None:
        """Write a compiled function to disk where possible."""
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
            _warn_once(f"cannot be stored ({reason})", path, _EVERY_TIME)

    def _place(self, signature: Any, codegen: Any) -> tuple[Path, bytes]:
        """The file for a signature on this machine, and the digest of the source that it must have been compiled
        from."""
        _, target, code = self._index_key(signature, codegen)
        name = _sha256(repr((signature, target)).encode()).hex()[:16]
        source = (numba.__version__, self._impl.locator.get_source_stamp(), _DIGEST, code)
        return Path(self.cache_path, f"{self._impl.filename_base}.{name}{COMPILED}"), _sha256(repr(source).encode())


def _sha256(content: bytes) -> bytes:
    return hashlib.sha256(content).digest()


_THIS_TIME = "It is compiled again, which takes up to a minute."
_EVERY_TIME = "Until this is corrected, every run compiles it again, which takes up to a minute."
_warned: set[str] = set()


def _warn_once(fault: str, path: Path, consequence: str = _THIS_TIME) -> None:
    """Warn once for each consequence: what applies to one file mostly applies to the others."""
    if consequence not in _warned:
        _warned.add(consequence)
        warnings.warn(f"compiled code {fault}: {path}. {consequence}", RoomsimWarning, stacklevel=2)


def njit(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """numba.njit with a `KernelCache`, valid only as long as no file with kernels has changed.

    numba's own cache checks the file of the function alone. Compiled code also contains the functions that it calls,
    and would continue to use their old versions when they change in another file. Moreover, numba's cache fails on
    every run once one of its files is damaged, or where no folder is writable.
    """
    is_cached = options.pop("cache", False)

    def compiled(function: Callable[..., Any]) -> Any:
        kernel = numba.njit(**options)(function)
        if is_cached and not numba.config.DISABLE_JIT:
            try:
                kernel._cache = KernelCache(function)
            except (OSError, RuntimeError):  # No folder is writable.
                where = Path(function.__code__.co_filename).parent / "__pycache__"
                fault = "cannot be stored (neither this folder nor the user's cache folder is writable)"
                _warn_once(fault, where, _EVERY_TIME)
        return kernel

    return compiled
