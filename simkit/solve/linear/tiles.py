"""Products held in registers: a tile of sums, rows of L, a panel times eight sides.

A panel is eight rows by some columns, one column of eight after another, as `products` says.
"""

from __future__ import annotations

from typing import Any

import llvmlite.binding as llvm
from numba import config, types
from numba.core import cgutils

from simkit.solve.linear.simd import (
    LANES,
    LONG,
    emit_fused,
    emit_load,
    emit_spread_from,
    emit_store,
    emit_zero,
    kernel_operation,
)


def _wide_registers() -> bool:
    """Return whether kernels are compiled for a processor with registers of eight floats."""
    asked = getattr(config, "CPU_FEATURES", None)
    if asked is not None:
        return "+avx512f" in asked
    return bool(llvm.get_host_cpu_features().get("avx512f", False))


TILE_PANELS, TILE_COLUMNS = (2, 8) if _wide_registers() else (1, 4)
"""Rows in eights, and columns, of a tile of sums held in registers: 16 of 32 registers of eight
floats, or 8 of 16 registers of four. Measured on Zen 5: 2 x 8 and 3 x 8 reach 98 % of the peak."""


def _make_tile(panels: int, columns: int, accumulate: bool) -> Any:
    """Return the intrinsic of a tile of 8 `panels` rows and some columns, see `tile_set`."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, a_step, b, count, c, c_step = args
        sums = [[cgutils.alloca_once_value(builder, emit_zero()) for _ in range(columns)]
                for _ in range(panels)]
        with cgutils.for_range(builder, count) as loop:
            at = builder.mul(loop.index, LONG(8 * LANES))
            a_at, b_at = builder.add(a, at), builder.add(b, at)
            left = [emit_load(builder, builder.add(a_at, builder.mul(a_step, LONG(p))))
                    for p in range(panels)]
            for j in range(columns):
                right = emit_spread_from(builder, builder.add(b_at, LONG(8 * j)))
                for p in range(panels):
                    place = sums[p][j]
                    builder.store(emit_fused(builder, left[p], right, builder.load(place)), place)
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


@kernel_operation
def solve_rows8(typingctx: Any, f: Any, f_step: Any, unit: Any, reciprocal: Any, to: Any) -> Any:
    """Eight rows of L from eight columns of a front: solve X (I + unit)^T = F, scale columns.

    Columns of F are `f_step` bytes apart; `unit` is 8 x 8 column-major, zero on and above the
    diagonal; column c of the result is x_c times reciprocal[c], columns one after another.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        f, f_step, unit, reciprocal, to = args
        solved: list[Any] = []
        for c in range(LANES):
            value = emit_load(builder, builder.add(f, builder.mul(f_step, LONG(c))))
            for e, earlier in enumerate(solved):
                factor = emit_spread_from(builder, builder.add(unit, LONG(8 * (LANES * e + c))))
                value = emit_fused(builder, builder.fneg(factor), earlier, value)
            solved.append(value)
        for c, value in enumerate(solved):
            scale = emit_spread_from(builder, builder.add(reciprocal, LONG(8 * c)))
            emit_store(builder, builder.fmul(value, scale), builder.add(to, LONG(8 * LANES * c)))
        return ctx.get_dummy_value()

    return types.void(*[types.int64] * 5), codegen


@kernel_operation
def rows_times8(typingctx: Any, a: Any, y: Any, count: Any, to: Any) -> Any:
    """Write A y for a panel of eight rows and `count` columns; y and the result hold eight sides.

    y (count, 8) and the result (8, 8) are row-major: the sides of one row stand together.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, y, count, to = args
        sums = [cgutils.alloca_once_value(builder, emit_zero()) for _ in range(LANES)]
        with cgutils.for_range(builder, count) as loop:
            at = builder.mul(loop.index, LONG(8 * LANES))
            right, a_at = emit_load(builder, builder.add(y, at)), builder.add(a, at)
            for i in range(LANES):
                left = emit_spread_from(builder, builder.add(a_at, LONG(8 * i)))
                builder.store(emit_fused(builder, left, right, builder.load(sums[i])), sums[i])
        for i in range(LANES):
            emit_store(builder, builder.load(sums[i]), builder.add(to, LONG(8 * LANES * i)))
        return ctx.get_dummy_value()

    return types.void(*[types.int64] * 4), codegen


@kernel_operation
def add_transposed8(typingctx: Any, a: Any, y: Any, count: Any, to: Any) -> Any:
    """Add A^T y for a panel of eight rows and `count` columns to (count, 8); y (8, 8)."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, y, count, to = args
        rows = [emit_load(builder, builder.add(y, LONG(8 * LANES * i))) for i in range(LANES)]
        with cgutils.for_range(builder, count) as loop:
            at = builder.mul(loop.index, LONG(8 * LANES))
            place, a_at = builder.add(to, at), builder.add(a, at)
            value = emit_load(builder, place)
            for i in range(LANES):
                left = emit_spread_from(builder, builder.add(a_at, LONG(8 * i)))
                value = emit_fused(builder, left, rows[i], value)
            emit_store(builder, value, place)
        return ctx.get_dummy_value()

    return types.void(*[types.int64] * 4), codegen


