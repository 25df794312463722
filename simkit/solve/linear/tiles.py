"""Small dense products kept in registers: tiles of sums, rows of L, a panel times eight sides.

A panel is eight rows by some columns, stored column after column, see `products`.
"""

from __future__ import annotations

from typing import Any

import llvmlite.binding as llvm
from llvmlite import ir
from numba import config, types
from numba.core import cgutils

from simkit.kernels.simd import (
    DOUBLE,
    LANES,
    LONG,
    emit_broadcast,
    emit_broadcast_load,
    emit_fused,
    emit_load,
    emit_store,
    emit_zero,
    kernel_operation,
    vector8,
)


def _wide_registers() -> bool:
    """Return whether kernels are compiled for a processor with registers of eight floats."""
    asked = getattr(config, "CPU_FEATURES", None)
    if asked is not None:
        return "+avx512f" in asked
    return bool(llvm.get_host_cpu_features().get("avx512f", False))


TILE_PANELS, TILE_COLUMNS = (2, 8) if _wide_registers() else (1, 4)
"""Panels of eight rows, and columns, of a tile of sums that is held in registers.

It takes 16 of 32 registers of eight floats, or 8 of 16 registers of four. Measured on Zen 5: tiles
of 2 x 8 and 3 x 8 reach 98 % of the peak.
"""


def _emit_products(builder: Any, a: Any, a_step: Any, b: Any, count: Any, sums: Any) -> None:
    """Add A B^T to sums[panel][column], local variables that the compiler keeps in registers."""
    with cgutils.for_range(builder, count) as loop:
        at = builder.mul(loop.index, LONG(8 * LANES))
        a_at, b_at = builder.add(a, at), builder.add(b, at)
        left = [emit_load(builder, builder.add(a_at, builder.mul(a_step, LONG(p))))
                for p in range(len(sums))]
        for j in range(len(sums[0])):
            right = emit_broadcast_load(builder, builder.add(b_at, LONG(8 * j)))
            for p, value in enumerate(left):
                place = sums[p][j]
                builder.store(emit_fused(builder, value, right, builder.load(place)), place)


def _make_tile(panels: int, columns: int, accumulate: bool) -> Any:
    """Return the intrinsic of a tile of 8 x `panels` rows by `columns` columns, see `tile_set`."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, a_step, b, count, c, c_step = args
        sums = [[cgutils.alloca_once_value(builder, emit_zero()) for _ in range(columns)]
                for _ in range(panels)]
        _emit_products(builder, a, a_step, b, count, sums)
        for j in range(columns):
            for p in range(panels):
                to = builder.add(builder.add(c, builder.mul(c_step, LONG(j))),
                                 LONG(8 * LANES * p))
                value = builder.load(sums[p][j])
                if accumulate:
                    value = builder.fadd(emit_load(builder, to), value)
                emit_store(builder, value, to)
        return ctx.get_dummy_value()

    @kernel_operation
    def tile(typingctx: Any, a: Any, a_step: Any, b: Any, count: Any, c: Any, c_step: Any) -> Any:
        return types.void(*[types.int64] * 6), codegen

    return tile


tile_set = _make_tile(TILE_PANELS, TILE_COLUMNS, False)
"""C = A B^T for one tile: tile_set(a, a_step, b, count, c, c_step).

A is in panels of eight rows, `count` columns one after another in each, panels `a_step` bytes
apart; B is one such panel, whose first rows are used; C is column-major, columns `c_step` apart.
"""
tile_add = _make_tile(TILE_PANELS, TILE_COLUMNS, True)
tile_set_narrow = _make_tile(1, TILE_COLUMNS, False)
tile_add_narrow = _make_tile(1, TILE_COLUMNS, True)


def _make_solve(panels: int) -> Any:
    """Return the intrinsic that finishes 8 x `panels` rows of eight columns of L.

    finish(a, a_step, b, count, f, f_step, unit, reciprocal, to, to_step): A B^T is added to the
    front's F as in `tile_add`, X (I + unit)^T = F is solved, and column c of L is x_c times
    reciprocal[c]. `unit` is 8 x 8 column-major, zero on and above the diagonal. Panels of A are
    `a_step` bytes apart, columns of F `f_step`; L goes to a panel at `to`, the next `to_step` on.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, a_step, b, count, f, f_step, unit, reciprocal, to, to_step = args
        solved: list[list[Any]] = [[] for _ in range(panels)]
        for first in range(0, LANES, TILE_COLUMNS):
            sums = [[cgutils.alloca_once_value(builder, emit_load(builder, builder.add(
                f, builder.add(builder.mul(f_step, LONG(c)), LONG(8 * LANES * p)))))
                for c in range(first, first + TILE_COLUMNS)] for p in range(panels)]
            _emit_products(builder, a, a_step, builder.add(b, LONG(8 * first)), count, sums)
            for c in range(first, first + TILE_COLUMNS):
                values = [builder.load(sums[p][c - first]) for p in range(panels)]
                for e in range(c):
                    place = builder.add(unit, LONG(8 * (LANES * e + c)))
                    factor = builder.fneg(emit_broadcast_load(builder, place))
                    values = [emit_fused(builder, factor, solved[p][e], values[p])
                              for p in range(panels)]
                scale = emit_broadcast_load(builder, builder.add(reciprocal, LONG(8 * c)))
                for p in range(panels):
                    solved[p].append(values[p])
                    place = builder.add(to, builder.mul(to_step, LONG(p)))
                    emit_store(builder, builder.fmul(values[p], scale),
                               builder.add(place, LONG(8 * LANES * c)))
        return ctx.get_dummy_value()

    @kernel_operation
    def finish(
        typingctx: Any, a: Any, a_step: Any, b: Any, count: Any, f: Any, f_step: Any,
        unit: Any, reciprocal: Any, to: Any, to_step: Any,
    ) -> Any:
        return types.void(*[types.int64] * 10), codegen

    return finish


finish_rows = _make_solve(TILE_PANELS)
finish_rows_narrow = _make_solve(1)


@kernel_operation
def factor_corner8(
    typingctx: Any, f: Any, f_step: Any, unit: Any, pivots: Any, reciprocal: Any
) -> Any:
    """Factor an 8 x 8 square L D L^T from its lower triangle; pivots are not checked.

    Columns of the square are `f_step` bytes apart. `unit` receives L as `finish_rows` reads it,
    `pivots` (8,) receives D and `reciprocal` (8,) 1 / D.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        f, f_step, unit, pivots, reciprocal = args
        lanes = ir.VectorType(ir.IntType(1), LANES)
        columns = [emit_load(builder, builder.add(f, builder.mul(f_step, LONG(c))))
                   for c in range(LANES)]
        for k in range(LANES):
            pivot = builder.extract_element(columns[k], ir.Constant(ir.IntType(32), k))
            inverse = builder.fdiv(ir.Constant(DOUBLE, 1.0), pivot)
            for place, value in ((pivots, pivot), (reciprocal, inverse)):
                to = builder.inttoptr(builder.add(place, LONG(8 * k)), DOUBLE.as_pointer())
                builder.store(value, to, align=8)
            scaled = builder.fmul(columns[k], emit_broadcast(builder, inverse))
            below = ir.Constant(lanes, [int(lane > k) for lane in range(LANES)])
            scaled = builder.select(below, scaled, emit_zero())
            emit_store(builder, scaled, builder.add(unit, LONG(8 * LANES * k)))
            for j in range(k + 1, LANES):
                factor = builder.extract_element(scaled, ir.Constant(ir.IntType(32), j))
                factor = emit_broadcast(builder, builder.fneg(factor))
                columns[j] = emit_fused(builder, factor, columns[k], columns[j])
        return ctx.get_dummy_value()

    return types.void(*[types.int64] * 5), codegen


@kernel_operation
def add_run8(typingctx: Any, to: Any, source: Any, length: Any) -> Any:
    """Add `length` floats at `source` to those at `to`.

    Up to seven floats after the end are written back unchanged, so they must belong to the array.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        to, source, length = args
        whole = builder.sdiv(length, LONG(LANES))
        with cgutils.for_range(builder, whole) as loop:
            at = builder.mul(loop.index, LONG(8 * LANES))
            place = builder.add(to, at)
            value = builder.fadd(emit_load(builder, place),
                                 emit_load(builder, builder.add(source, at)))
            emit_store(builder, value, place)
        rest = builder.sub(length, builder.mul(whole, LONG(LANES)))
        with builder.if_then(builder.icmp_signed(">", rest, LONG(0))):
            at = builder.mul(whole, LONG(8 * LANES))
            place = builder.add(to, at)
            old = emit_load(builder, place)
            value = builder.fadd(old, emit_load(builder, builder.add(source, at)))
            kind = ir.VectorType(LONG, LANES)
            nothing = ir.Constant(kind, ir.Undefined)
            one = builder.insert_element(nothing, rest, ir.Constant(ir.IntType(32), 0))
            mask = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
            inside = builder.icmp_signed(
                "<", ir.Constant(kind, list(range(LANES))),
                builder.shuffle_vector(one, nothing, mask))
            emit_store(builder, builder.select(inside, value, old), place)
        return ctx.get_dummy_value()

    return types.void(*[types.int64] * 3), codegen


@kernel_operation
def rows_times8(typingctx: Any, a: Any, y: Any, count: Any, to: Any) -> Any:
    """Write A y for a panel of eight rows and `count` columns, for eight right-hand sides.

    y (count, 8) and the result (8, 8) at `to` are row-major: the eight values of a row follow
    each other.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, y, count, to = args
        for first in range(0, LANES, TILE_COLUMNS):
            rows = range(first, first + TILE_COLUMNS)
            sums = [cgutils.alloca_once_value(builder, emit_zero()) for _ in rows]
            with cgutils.for_range(builder, count) as loop:
                at = builder.mul(loop.index, LONG(8 * LANES))
                right, a_at = emit_load(builder, builder.add(y, at)), builder.add(a, at)
                for place, i in zip(sums, rows, strict=True):
                    left = emit_broadcast_load(builder, builder.add(a_at, LONG(8 * i)))
                    builder.store(emit_fused(builder, left, right, builder.load(place)), place)
            for place, i in zip(sums, rows, strict=True):
                emit_store(builder, builder.load(place), builder.add(to, LONG(8 * LANES * i)))
        return ctx.get_dummy_value()

    return types.void(*[types.int64] * 4), codegen


@kernel_operation
def add_transposed8(typingctx: Any, a: Any, y: Any, count: Any, to: Any) -> Any:
    """Add A^T y to (count, 8) at `to`, for a panel of eight rows and `count` columns; y (8, 8)."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, y, count, to = args
        rows = [emit_load(builder, builder.add(y, LONG(8 * LANES * i))) for i in range(LANES)]
        with cgutils.for_range(builder, count) as loop:
            at = builder.mul(loop.index, LONG(8 * LANES))
            place, a_at = builder.add(to, at), builder.add(a, at)
            value = emit_load(builder, place)
            for i in range(LANES):
                left = emit_broadcast_load(builder, builder.add(a_at, LONG(8 * i)))
                value = emit_fused(builder, left, rows[i], value)
            emit_store(builder, value, place)
        return ctx.get_dummy_value()

    return types.void(*[types.int64] * 4), codegen




@kernel_operation
def forward_corner8(typingctx: Any, corner: Any, value: Any) -> Any:
    """Solve (I + C) y = value for the 8 x 8 corner C of a panel, zero on and above its diagonal."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        corner, value = args
        for c in range(LANES - 1):
            solved = builder.extract_element(value, ir.Constant(ir.IntType(32), c))
            column = emit_load(builder, builder.add(corner, LONG(8 * LANES * c)))
            factor = builder.fneg(column)
            value = emit_fused(builder, factor, emit_broadcast(builder, solved), value)
        return value

    return vector8(types.int64, vector8), codegen


@kernel_operation
def row_sums8(typingctx: Any, start: Any) -> Any:
    """Return the eight sums of the lanes of eight vectors stored one after another.

    Each pass adds pairs of vectors after shuffling, so that three passes suffice.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        vectors = [emit_load(builder, builder.add(args[0], LONG(8 * LANES * c)))
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

    return vector8(types.int64), codegen
