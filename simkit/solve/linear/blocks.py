"""Operations on blocks of eight rows kept in registers: a corner, a run, a panel times eight sides.

Each takes a number of the precision of its data as `real`. A panel is eight rows by some columns,
stored column after column, see `products`.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils

from simkit.kernels.simd import (
    LANES,
    LONG,
    SCALARS,
    VECTORS,
    emit_broadcast,
    emit_broadcast_load,
    emit_fused,
    emit_load,
    emit_store,
    emit_zero,
    kernel_operation,
    size_of,
)
from simkit.solve.linear.tiles import TILE_COLUMNS


@kernel_operation
def factor_corner8(
    typingctx: Any, real: Any, f: Any, f_step: Any, unit: Any, pivots: Any, reciprocal: Any
) -> Any:
    """Factor an 8 x 8 square L D L^T from its lower triangle; pivots are not checked.

    Columns of the square are `f_step` bytes apart. `unit` receives L as `finish_rows` reads it,
    `pivots` (8,) receives D and `reciprocal` (8,) 1 / D.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        _, f, f_step, unit, pivots, reciprocal = args
        scalar = SCALARS[sig.args[0]]
        size, lanes = size_of(scalar), ir.VectorType(ir.IntType(1), LANES)
        columns = [emit_load(builder, builder.add(f, builder.mul(f_step, LONG(c))), scalar)
                   for c in range(LANES)]
        for k in range(LANES):
            pivot = builder.extract_element(columns[k], ir.Constant(ir.IntType(32), k))
            inverse = builder.fdiv(ir.Constant(scalar, 1.0), pivot)
            for place, value in ((pivots, pivot), (reciprocal, inverse)):
                to = builder.inttoptr(builder.add(place, LONG(size * k)), scalar.as_pointer())
                builder.store(value, to, align=size)
            scaled = builder.fmul(columns[k], emit_broadcast(builder, inverse))
            below = ir.Constant(lanes, [int(lane > k) for lane in range(LANES)])
            scaled = builder.select(below, scaled, emit_zero(scalar))
            emit_store(builder, scaled, builder.add(unit, LONG(size * LANES * k)))
            for j in range(k + 1, LANES):
                factor = builder.extract_element(scaled, ir.Constant(ir.IntType(32), j))
                factor = emit_broadcast(builder, builder.fneg(factor))
                columns[j] = emit_fused(builder, factor, columns[k], columns[j])
        return ctx.get_dummy_value()

    return types.void(real, *[types.int64] * 5), codegen


@kernel_operation
def add_run8(typingctx: Any, real: Any, to: Any, source: Any, length: Any) -> Any:
    """Add `length` floats at `source` to those at `to`.

    Up to seven floats after the end are written back unchanged, so they must belong to the array.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        _, to, source, length = args
        scalar = SCALARS[sig.args[0]]
        row = size_of(scalar) * LANES
        whole = builder.sdiv(length, LONG(LANES))
        with cgutils.for_range(builder, whole) as loop:
            at = builder.mul(loop.index, LONG(row))
            place = builder.add(to, at)
            value = builder.fadd(emit_load(builder, place, scalar),
                                 emit_load(builder, builder.add(source, at), scalar))
            emit_store(builder, value, place)
        rest = builder.sub(length, builder.mul(whole, LONG(LANES)))
        with builder.if_then(builder.icmp_signed(">", rest, LONG(0))):
            at = builder.mul(whole, LONG(row))
            place = builder.add(to, at)
            old = emit_load(builder, place, scalar)
            value = builder.fadd(old, emit_load(builder, builder.add(source, at), scalar))
            kind = ir.VectorType(LONG, LANES)
            nothing = ir.Constant(kind, ir.Undefined)
            one = builder.insert_element(nothing, rest, ir.Constant(ir.IntType(32), 0))
            mask = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
            inside = builder.icmp_signed(
                "<", ir.Constant(kind, list(range(LANES))),
                builder.shuffle_vector(one, nothing, mask))
            emit_store(builder, builder.select(inside, value, old), place)
        return ctx.get_dummy_value()

    return types.void(real, *[types.int64] * 3), codegen


@kernel_operation
def rows_times8(typingctx: Any, real: Any, a: Any, y: Any, count: Any, to: Any) -> Any:
    """Write A y for a panel of eight rows and `count` columns, for eight right-hand sides.

    y (count, 8) and the result (8, 8) at `to` are row-major: the eight values of a row follow
    each other.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        _, a, y, count, to = args
        scalar = SCALARS[sig.args[0]]
        size = size_of(scalar)
        for first in range(0, LANES, TILE_COLUMNS):
            rows = range(first, first + TILE_COLUMNS)
            sums = [cgutils.alloca_once_value(builder, emit_zero(scalar)) for _ in rows]
            with cgutils.for_range(builder, count) as loop:
                at = builder.mul(loop.index, LONG(size * LANES))
                right = emit_load(builder, builder.add(y, at), scalar)
                a_at = builder.add(a, at)
                for place, i in zip(sums, rows, strict=True):
                    left = emit_broadcast_load(builder, builder.add(a_at, LONG(size * i)), scalar)
                    builder.store(emit_fused(builder, left, right, builder.load(place)), place)
            for place, i in zip(sums, rows, strict=True):
                emit_store(builder, builder.load(place), builder.add(to, LONG(size * LANES * i)))
        return ctx.get_dummy_value()

    return types.void(real, *[types.int64] * 4), codegen


@kernel_operation
def add_transposed8(typingctx: Any, real: Any, a: Any, y: Any, count: Any, to: Any) -> Any:
    """Add A^T y to (count, 8) at `to`, for a panel of eight rows and `count` columns; y (8, 8)."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        _, a, y, count, to = args
        scalar = SCALARS[sig.args[0]]
        size = size_of(scalar)
        rows = [emit_load(builder, builder.add(y, LONG(size * LANES * i)), scalar)
                for i in range(LANES)]
        with cgutils.for_range(builder, count) as loop:
            at = builder.mul(loop.index, LONG(size * LANES))
            place, a_at = builder.add(to, at), builder.add(a, at)
            value = emit_load(builder, place, scalar)
            for i in range(LANES):
                left = emit_broadcast_load(builder, builder.add(a_at, LONG(size * i)), scalar)
                value = emit_fused(builder, left, rows[i], value)
            emit_store(builder, value, place)
        return ctx.get_dummy_value()

    return types.void(real, *[types.int64] * 4), codegen



@kernel_operation
def forward_corner8(typingctx: Any, corner: Any, value: Any) -> Any:
    """Solve (I + C) y = value for the 8 x 8 corner C of a panel, zero on and above its diagonal."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        corner, value = args
        scalar = value.type.element
        for c in range(LANES - 1):
            solved = builder.extract_element(value, ir.Constant(ir.IntType(32), c))
            place = builder.add(corner, LONG(size_of(scalar) * LANES * c))
            column = emit_load(builder, place, scalar)
            factor = builder.fneg(column)
            value = emit_fused(builder, factor, emit_broadcast(builder, solved), value)
        return value

    return value(types.int64, value), codegen


@kernel_operation
def row_sums8(typingctx: Any, real: Any, start: Any) -> Any:
    """Return the eight sums of the lanes of eight vectors stored one after another.

    Each pass adds pairs of vectors after shuffling, so that three passes suffice.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        scalar = SCALARS[sig.args[0]]
        size = size_of(scalar)
        vectors = [emit_load(builder, builder.add(args[1], LONG(size * LANES * c)), scalar)
                   for c in range(LANES)]
        kind = ir.VectorType(ir.IntType(32), LANES)
        for masks in (
            ([0, 8, 2, 10, 4, 12, 6, 14], [1, 9, 3, 11, 5, 13, 7, 15]),
            ([0, 1, 8, 9, 4, 5, 12, 13], [2, 3, 10, 11, 6, 7, 14, 15]),
            ([0, 1, 2, 3, 8, 9, 10, 11], [4, 5, 6, 7, 12, 13, 14, 15]),
        ):
            one, two = (ir.Constant(kind, mask) for mask in masks)
            vectors = [builder.fadd(builder.shuffle_vector(a, b, one),
                                    builder.shuffle_vector(a, b, two))
                       for a, b in zip(vectors[::2], vectors[1::2], strict=True)]
        return vectors[0]

    return VECTORS[real](real, types.int64), codegen
