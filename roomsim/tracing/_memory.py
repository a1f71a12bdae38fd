"""Asking for memory in large pages, and before it is needed."""

from __future__ import annotations

import numpy as np
from llvmlite import ir
from numba import config, types
from numba.core import cgutils
from numba.extending import intrinsic

LINE = 16
"""Single-precision numbers in a cache line."""


def zeros(shape, dtype):
    """As np.zeros, which leaves its pages of 4 kB to be mapped one by one, at random and slowly; np.empty asks the
    system for large ones. At a gigabyte that is the difference between half a second and seven."""
    array = np.empty(shape, dtype)
    array.fill(0)
    return array


_I8, _I32 = ir.IntType(8), ir.IntType(32)

if config.DISABLE_JIT:

    def prefetch(array, offset):
        """Nothing to hurry along in plain Python."""

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
