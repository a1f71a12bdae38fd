"""How every kernel is compiled, and when what was compiled before is still good."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba

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


def source_digest(folder: Path) -> str:
    """SHA-256 over all files below a folder that may hold kernels: those with a name that begins with an underscore."""
    total = hashlib.sha256()
    for path in sorted(folder.rglob("_[!_]*.py")):
        total.update(path.read_bytes())
    return total.hexdigest()


_DIGEST = source_digest(Path(__file__).parent)


def njit(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """numba.njit, whose code on disk is good only as long as no file with kernels has changed.

    numba itself looks at the file of the function alone. Compiled code holds the functions that it calls, too, and
    would go on with the old ones when they change in another file.
    """

    def compiled(function: Callable[..., Any]) -> Any:
        kernel = numba.njit(**options)(function)
        file = getattr(getattr(kernel, "_cache", None), "_cache_file", None)
        if file is not None:
            file._source_stamp = (file._source_stamp, _DIGEST)
        return kernel

    return compiled
