"""Allocating memory in large pages, and prefetching it."""

from __future__ import annotations

import math
import mmap

import numpy as np
from llvmlite import ir
from numba import config, types
from numba.core import cgutils
from numba.extending import intrinsic

LINE = 16
"""Single-precision numbers in a cache line."""


def zeros(shape, dtype):
    """As np.zeros, but in large pages where the system provides them: mapping pages of 4 kB one by one, in random
    order, takes seconds for each gigabyte. The system zeroes a page at its first access, in the thread that makes it.
    """
    size = math.prod(shape) * np.dtype(dtype).itemsize
    if size == 0:
        return np.empty(shape, dtype)
    if not hasattr(mmap, "MADV_HUGEPAGE"):
        return np.zeros(shape, dtype)
    pages = mmap.mmap(-1, size, mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    pages.madvise(mmap.MADV_HUGEPAGE)
    return np.frombuffer(pages, dtype).reshape(shape)


def on_lines(array):
    """Copy that starts on a line of the cache."""
    raw = np.empty(array.nbytes + 4 * LINE, np.uint8)
    start = -raw.ctypes.data % (4 * LINE)
    view = raw[start : start + array.nbytes].view(array.dtype).reshape(array.shape)
    view[...] = array
    return view


_I8, _I32 = ir.IntType(8), ir.IntType(32)

if config.DISABLE_JIT:

    def prefetch(array, offset):
        """Does nothing in plain Python."""

else:

    @intrinsic
    def prefetch(typing, array, offset):
        """Start loading the line of `array` that holds element `offset` (flat, of a contiguous array), to write."""

        def generate(context, builder, signature, arguments):
            data = cgutils.create_struct_proxy(signature.args[0])(context, builder, value=arguments[0]).data
            address = builder.bitcast(builder.gep(data, [arguments[1]]), _I8.as_pointer())
            kind = ir.FunctionType(ir.VoidType(), [address.type, _I32, _I32, _I32])
            function = cgutils.get_or_insert_function(builder.module, kind, "llvm.prefetch.p0")
            # For writing, to all levels of cache, data.
            builder.call(function, [address, *(ir.Constant(_I32, x) for x in (1, 3, 1))])
            return context.get_dummy_value()

        return types.void(array, types.int64), generate
