"""Path logs of rays that were not traced, for tests of storing and replaying them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np

from roomsim.results.hdf5 import SEAL_LENGTH, sealed
from roomsim.tracing.paths import PathLog

N_PATCHES, N_RECEIVERS, N_COMPONENTS = 7, 40, 3
SHEET = np.array([-1, -1, 0, -1, -1, 1, -1])


def invented_log(source: int = 0, batch: int = 0, n_rays: int = 50) -> PathLog:
    """A log with valid indices, all of whose contents are functions of source and batch."""
    rng = np.random.default_rng([source, batch])
    ray_end = np.cumsum(rng.integers(1, 30, n_rays))
    n_segments = int(ray_end[-1])
    event = rng.integers(0, 3 * N_PATCHES, n_segments).astype(np.uint16)
    event[ray_end - 1] = 65535
    n_deposits = rng.poisson(0.4, n_segments).astype(np.uint16)
    total = int(n_deposits.sum())
    return PathLog(
        source=source,
        batch=batch,
        n_rays=n_rays,
        ray_end=ray_end.astype(np.int64),
        component=rng.integers(0, N_COMPONENTS, n_rays).astype(np.uint8),
        emission=rng.random((n_rays, 8), dtype=np.float32),
        event=event,
        n_deposits=n_deposits,
        share=rng.random(np.count_nonzero(SHEET[event[event < 3 * N_PATCHES] // 3] >= 0), dtype=np.float32) + 0.1,
        receiver=rng.integers(0, N_RECEIVERS, total).astype(np.uint32),
        path_length=rng.random(total, dtype=np.float32) * 300,
        chord=rng.random(total, dtype=np.float32),
        n_lost=2,
        lost_energy=float(rng.random()) * 1e-3,
        lost_positions=rng.random((2, 3), dtype=np.float32),
        lost_directions=rng.random((2, 3), dtype=np.float32),
    )


def reseal(path: Path, change: Callable[[h5py.File], object]) -> None:
    """Change a stored file together with its digest."""
    path.write_bytes(path.read_bytes()[:-SEAL_LENGTH])
    with h5py.File(path, "r+") as file:
        change(file)
    path.write_bytes(sealed(path.read_bytes()))
