"""Eight boxes or eight primitives against one ray at once, as explicit vector instructions.

LLVM does not turn a loop over the children of a node into vector code by itself (it emits scalar minima), so the
innermost steps are written as LLVM vectors. `_plain.py` has the same steps as loops; the tests require equal results.

Layouts, both float32 and contiguous:
    node: 6 rows of 8, lower x y z and upper x y z of the children's boxes;
    pack: 13 rows of 8, plane (4), u (4), v (4), limit. A point p lies on primitive i if its coordinates
          u = U . (p, 1), v = V . (p, 1) obey 0 <= u <= 1, 0 <= v <= 1, u + v <= limit (1 triangle, 2
          parallelogram).
"""

from __future__ import annotations

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from ._plain import PAIR, WIDTH

_FLOAT = ir.FloatType()
_I1, _I32, _I64 = ir.IntType(1), ir.IntType(32), ir.IntType(64)
_VECTOR = ir.VectorType(_FLOAT, WIDTH)
_PAIR = ir.VectorType(_FLOAT, PAIR)
# Not "nnan" or "ninf": an empty slot divides by zero, and its comparisons must be false.
_FAST = ("contract", "nsz", "arcp")


def _splat(builder, scalar, kind=_VECTOR):
    undefined = ir.Constant(kind, ir.Undefined)
    first = builder.insert_element(undefined, scalar, ir.Constant(_I32, 0))
    return builder.shuffle_vector(first, undefined, ir.Constant(ir.VectorType(_I32, kind.count), [0] * kind.count))


def _constant(value):
    return ir.Constant(_VECTOR, [value] * WIDTH)


def _load(builder, base, kind=_VECTOR):
    return builder.load(builder.bitcast(base, kind.as_pointer()), align=4)


def _store(builder, vector, base, kind=_VECTOR):
    builder.store(vector, builder.bitcast(base, kind.as_pointer()), align=4)


def _pointer(context, builder, signature, arguments, i, offset=None):
    """Address of the data of argument i, an array, or of the element that argument `offset` counts."""
    data = cgutils.create_struct_proxy(signature.args[i])(context, builder, value=arguments[i]).data
    return data if offset is None else builder.gep(data, [arguments[offset]])


def _maximum(builder, a, b):
    return builder.select(builder.fcmp_ordered(">", a, b), a, b)


def _minimum(builder, a, b):
    return builder.select(builder.fcmp_ordered("<", a, b), a, b)


def _bits(builder, lanes):
    return builder.zext(builder.bitcast(lanes, ir.IntType(WIDTH)), _I32)


def _multiply_add(builder, a, b, c):
    return builder.fadd(builder.fmul(a, b, flags=_FAST), c, flags=_FAST)


@intrinsic
def hit_boxes(
    typing, nodes, offset, near_x, near_y, near_z, inv_x, inv_y, inv_z, shift_x, shift_y, shift_z, nearest, entry
):  # fmt: skip
    """Bit mask of the children whose boxes the ray meets before `nearest`; their entry distances go to `entry`.

    `near_*` are the rows (0 to 5) that hold the side facing the ray; shift = -origin * inverse direction.
    """
    signature = types.int32(nodes, *[types.int64] * 4, *[types.float32] * 7, entry)

    def generate(context, builder, sig, arguments):
        base = _pointer(context, builder, sig, arguments, 0, 1)
        near_rows = arguments[2:5]
        far_rows = [builder.sub(ir.Constant(_I64, total), row) for total, row in zip((3, 5, 7), near_rows)]
        inverse = [_splat(builder, x) for x in arguments[5:8]]
        shift = [_splat(builder, x) for x in arguments[8:11]]
        limit = _splat(builder, arguments[11])

        def distances(rows):
            places = [builder.gep(base, [builder.mul(row, ir.Constant(_I64, WIDTH))]) for row in rows]
            loaded = [_load(builder, place) for place in places]
            return [_multiply_add(builder, *parts) for parts in zip(loaded, inverse, shift)]

        near, far = distances(near_rows), distances(far_rows)
        enter = _maximum(
            builder, _maximum(builder, near[0], near[1]), _maximum(builder, near[2], _constant(0.0))
        )
        leave = _minimum(builder, _minimum(builder, far[0], far[1]), _minimum(builder, far[2], limit))
        _store(builder, enter, _pointer(context, builder, sig, arguments, 12))
        return _bits(builder, builder.fcmp_ordered("<=", enter, leave))

    return signature, generate


@intrinsic
def hit_primitives(typing, packs, offset, ox, oy, oz, dx, dy, dz, closest, nearest, distance):
    """Bit mask of the primitives of a pack that the ray meets beyond `closest` and not beyond `nearest`; their
    distances go to `distance`."""
    signature = types.int32(packs, types.int64, *[types.float32] * 8, distance)

    def generate(context, builder, sig, arguments):
        base = _pointer(context, builder, sig, arguments, 0, 1)
        origin = [_splat(builder, x) for x in arguments[2:5]]
        direction = [_splat(builder, x) for x in arguments[5:8]]
        lower, upper = _splat(builder, arguments[8]), _splat(builder, arguments[9])
        zero, one = _constant(0.0), _constant(1.0)

        def row(k):
            return _load(builder, builder.gep(base, [ir.Constant(_I64, k * WIDTH)]))

        def along(first, vector):
            total = builder.fmul(row(first), vector[0], flags=_FAST)
            total = _multiply_add(builder, row(first + 1), vector[1], total)
            return _multiply_add(builder, row(first + 2), vector[2], total)

        height = builder.fadd(along(0, origin), row(3), flags=_FAST)
        t = builder.fdiv(builder.fsub(zero, height), along(0, direction))
        point = [_multiply_add(builder, t, direction[k], origin[k]) for k in range(3)]
        u = builder.fadd(along(4, point), row(7), flags=_FAST)
        v = builder.fadd(along(8, point), row(11), flags=_FAST)

        lanes = builder.and_(builder.fcmp_ordered(">", t, lower), builder.fcmp_ordered("<=", t, upper))
        for coordinate in (u, v):
            inside = builder.and_(
                builder.fcmp_ordered(">=", coordinate, zero), builder.fcmp_ordered("<=", coordinate, one)
            )
            lanes = builder.and_(lanes, inside)
        lanes = builder.and_(lanes, builder.fcmp_ordered("<=", builder.fadd(u, v), row(12)))
        _store(builder, t, _pointer(context, builder, sig, arguments, 10))
        return _bits(builder, lanes)

    return signature, generate


@intrinsic
def hit_spheres(typing, spheres, offset, ox, oy, oz, dx, dy, dz, lanes, place):
    """Bit mask of eight spheres that the line through o along d passes; to `lanes`, from `place` on, the distance along
    it of the point nearest to each centre (8), then the square of half each chord (8).

    spheres: packs of 4 rows of 8, centre x, y, z and squared radius, -1 in an empty slot.
    """
    signature = types.int32(spheres, types.int64, *[types.float32] * 6, lanes, types.int64)

    def generate(context, builder, sig, arguments):
        base = _pointer(context, builder, sig, arguments, 0, 1)
        target = _pointer(context, builder, sig, arguments, 8, 9)
        direction = [_splat(builder, x) for x in arguments[5:8]]

        def row(k):
            return _load(builder, builder.gep(base, [ir.Constant(_I64, k * WIDTH)]))

        away = [builder.fsub(row(k), _splat(builder, arguments[2 + k]), flags=_FAST) for k in range(3)]
        along = builder.fmul(away[0], direction[0], flags=_FAST)
        squared = builder.fmul(away[0], away[0], flags=_FAST)
        for k in (1, 2):
            along = _multiply_add(builder, away[k], direction[k], along)
            squared = _multiply_add(builder, away[k], away[k], squared)
        beside = builder.fsub(squared, builder.fmul(along, along, flags=_FAST), flags=_FAST)
        half_squared = builder.fsub(row(3), beside, flags=_FAST)
        _store(builder, along, target)
        _store(builder, half_squared, builder.gep(target, [ir.Constant(_I64, WIDTH)]))
        return _bits(builder, builder.fcmp_ordered(">", half_squared, _constant(0.0)))

    return signature, generate


_PLACES = [[k for k in range(WIDTH) if mask >> k & 1] for mask in range(2**WIDTH)]
"""Of the set bits of every mask."""


@intrinsic
def append_bits(typing, target, n, base, mask):
    """Write base + k to target[n] and the places that follow, for each set bit k of the mask; returns the next n.

    Eight places are always written, so that no branch depends on the mask.
    """
    signature = types.int64(target, types.int64, types.int32, types.int32)

    def generate(context, builder, sig, arguments):
        kind = ir.VectorType(_I32, WIDTH)
        rows = [ir.Constant(kind, bits + [0] * (WIDTH - len(bits))) for bits in _PLACES]
        places = cgutils.global_constant(builder, "places_of_bits", ir.Constant(ir.ArrayType(kind, len(rows)), rows))
        mask = builder.zext(arguments[3], _I64)
        row = builder.load(builder.gep(places, [ir.Constant(_I64, 0), mask]))
        to = _pointer(context, builder, sig, arguments, 0, 1)
        _store(builder, builder.add(row, _splat(builder, arguments[2], kind)), to, kind)
        return builder.add(arguments[1], builder.ctpop(mask))

    return signature, generate


@intrinsic
def add_product(typing, target, place, first, start, second):
    """target[place + i] += first[start + i] * second[i] for the eight bands i of two scenarios: one multiply-add.

    In a loop, the compiler would have to check each time whether the arrays overlap.
    """
    signature = types.void(target, types.int64, first, types.int64, second)

    def generate(context, builder, sig, arguments):
        to = _pointer(context, builder, sig, arguments, 0, 1)
        first = _pointer(context, builder, sig, arguments, 2, 3)
        second = _pointer(context, builder, sig, arguments, 4)
        loaded = [_load(builder, place, _PAIR) for place in (first, second, to)]
        _store(builder, _multiply_add(builder, *loaded), to, _PAIR)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def scale_row(typing, target, place, factor, table, a, b, c, d, e, f):
    """target[place + i] *= factor times table[x + i] for all x of a to f, for the eight bands i of two scenarios."""
    signature = types.void(target, types.int64, types.float32, table, *[types.int64] * 6)

    def generate(context, builder, sig, arguments):
        to = _pointer(context, builder, sig, arguments, 0, 1)
        factors = [
            _load(builder, _pointer(context, builder, sig, arguments, 3, place), _PAIR) for place in range(4, 10)
        ]
        factors.append(builder.fmul(_load(builder, to, _PAIR), _splat(builder, arguments[2], _PAIR), flags=_FAST))
        # Multiplied in pairs, so that no product waits long for another.
        while len(factors) > 1:
            factors.append(builder.fmul(factors.pop(0), factors.pop(0), flags=_FAST))
        _store(builder, factors[0], to, _PAIR)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def keep_larger(typing, lanes, first, start, second, at):
    """lanes[i] = max(lanes[i], first[start + i] * second[at + i]) for eight i."""
    signature = types.void(lanes, first, types.int64, second, types.int64)

    def generate(context, builder, sig, arguments):
        target = _pointer(context, builder, sig, arguments, 0)
        factors = [_load(builder, _pointer(context, builder, sig, arguments, i, i + 1)) for i in (1, 3)]
        product = builder.fmul(*factors, flags=_FAST)
        _store(builder, _maximum(builder, product, _load(builder, target)), target)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def scale_and_largest(typing, lanes, table, at):
    """lanes[i] *= table[at + i] for sixteen i; returns the largest of them."""
    signature = types.float32(lanes, table, types.int64)

    def generate(context, builder, sig, arguments):
        base = _pointer(context, builder, sig, arguments, 0)
        factors = _load(builder, _pointer(context, builder, sig, arguments, 1, 2), _PAIR)
        product = builder.fmul(_load(builder, base, _PAIR), factors, flags=_FAST)
        _store(builder, product, base, _PAIR)
        for apart in (8, 4, 2, 1):
            order = ir.Constant(ir.VectorType(_I32, PAIR), [i ^ apart for i in range(PAIR)])
            product = _maximum(builder, product, builder.shuffle_vector(product, product, order))
        return builder.extract_element(product, ir.Constant(_I32, 0))

    return signature, generate


@intrinsic
def lowest_bit(typing, mask):
    """Index of the lowest set bit; undefined for zero."""

    def generate(context, builder, sig, arguments):
        return builder.cttz(arguments[0], ir.Constant(_I1, 1))

    return types.int32(types.int32), generate
