"""Random numbers by address: (seed, stream, ray, bounce, which) always gives the same number.

There is no generator with a state, so results do not depend on the number of threads, the order of batches or
interruptions of a run, and any single ray can be traced again by itself.
"""

from __future__ import annotations

import numpy as np

from .._jit import KERNEL_OPTIONS, njit

EMISSION, SURFACE, SHEET = 1, 2, 3
"""Streams: emission, events at surfaces, events at free-hanging sheets. The last is separate so that traces with
and without a sheet draw the same numbers everywhere else."""

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)
_S30, _S27, _S31, _S40 = np.uint64(30), np.uint64(27), np.uint64(31), np.uint64(40)
_TO_UNIT = np.float32(2.0**-24)


@njit(inline="always", **KERNEL_OPTIONS)
def mix(z: np.uint64) -> np.uint64:
    """Finaliser of SplitMix64 (Steele, Lea and Flood, OOPSLA 2014, figure 16): a bijection of 64-bit integers."""
    z = (z ^ (z >> _S30)) * _MIX_1
    z = (z ^ (z >> _S27)) * _MIX_2
    return z ^ (z >> _S31)


@njit(inline="always", **KERNEL_OPTIONS)
def ray_key(seed: int, stream: int, source: int, ray: int) -> np.uint64:
    """Key of one ray's stream. `ray` counts over all batches of the source."""
    k = mix(np.uint64(seed) * _GOLDEN + np.uint64(stream))
    k = mix(k + np.uint64(source) * _GOLDEN)
    return mix(k + np.uint64(ray) * _GOLDEN)


@njit(inline="always", **KERNEL_OPTIONS)
def uniform(key: np.uint64, count: int) -> np.float32:
    """Number `count` of a ray's stream: uniform on [0, 1), 24 bits."""
    return np.float32(np.int64(mix(key + np.uint64(count + 1) * _GOLDEN) >> _S40)) * _TO_UNIT
