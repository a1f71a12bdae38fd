"""Options shared by every compiled kernel."""

from __future__ import annotations

from typing import Any

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
