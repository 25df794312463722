"""Small dense products kept in registers: tiles of sums, and the rows of L that they finish.

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
    SCALARS,
    emit_broadcast_load,
    emit_fused,
    emit_load,
    emit_store,
    emit_zero,
    kernel_operation,
    size_of,
)


def _wide_registers() -> bool:
    """Return whether kernels are compiled for a processor with registers of eight doubles."""
    asked = getattr(config, "CPU_FEATURES", None)
    if asked is not None:
        return "+avx512f" in asked
    return bool(llvm.get_host_cpu_features().get("avx512f", False))


WIDE = _wide_registers()
TILE_PANELS, TILE_COLUMNS = (2, 8) if WIDE else (1, 4)
"""Panels of eight rows of doubles, and columns, of a tile of sums that is held in registers.

It takes 16 of 32 registers of eight doubles, or 8 of 16 registers of four. Measured on Zen 5: tiles
of 2 x 8 and 3 x 8 reach 98 % of the peak. A tile of single precision has twice as many panels.
"""
MOST_PANELS = 2 * TILE_PANELS


def _panels_of(scalar: Any) -> int:
    """Panels of a tile of numbers of this kind."""
    return TILE_PANELS if scalar == DOUBLE else MOST_PANELS


class _Rows:
    """Rows of a tile as vectors: a panel each, or two panels of single precision where registers
    hold sixteen of them.

    Panels of A lie `step` bytes apart; rows of C and of a front follow each other.
    """

    def __init__(self, builder: Any, scalar: Any, panels: int) -> None:
        self.builder, self.scalar, self.size = builder, scalar, size_of(scalar)
        self.each = 2 if WIDE and scalar != DOUBLE and panels % 2 == 0 else 1
        self.count, self.lanes = panels // self.each, self.each * LANES

    def _place(self, at: Any, step: Any, panel: int) -> Any:
        """Address of a panel."""
        return self.builder.add(at, self.builder.mul(step, LONG(panel)))

    def after(self, at: Any, vector: int) -> Any:
        """Address of the rows of a vector in a column that begins at `at`."""
        return self.builder.add(at, LONG(self.size * self.lanes * vector))

    def load(self, at: Any, step: Any, vector: int) -> Any:
        """Rows of one column of A."""
        halves = [emit_load(self.builder, self._place(at, step, self.each * vector + h),
                            self.scalar) for h in range(self.each)]
        if self.each == 1:
            return halves[0]
        both = ir.Constant(ir.VectorType(ir.IntType(32), self.lanes), list(range(self.lanes)))
        return self.builder.shuffle_vector(*halves, both)

    def store(self, value: Any, at: Any, step: Any, vector: int) -> None:
        """Write rows of one column of L to their panels."""
        for h in range(self.each):
            part = value
            if self.each > 1:
                lanes = list(range(h * LANES, (h + 1) * LANES))
                part = self.builder.shuffle_vector(
                    value, value, ir.Constant(ir.VectorType(ir.IntType(32), LANES), lanes))
            emit_store(self.builder, part, self._place(at, step, self.each * vector + h))

    def load_rows(self, at: Any, vector: int) -> Any:
        """Rows of one column of C or of a front."""
        return emit_load(self.builder, self.after(at, vector), self.scalar, self.lanes)

    def broadcast(self, address: Any) -> Any:
        """The number at an address, for all rows."""
        return emit_broadcast_load(self.builder, address, self.scalar, self.lanes)

    def zero(self) -> Any:
        """Rows of zeros."""
        return emit_zero(self.scalar, self.lanes)


def _emit_products(builder: Any, rows: _Rows, a: Any, a_step: Any, b: Any, count: Any, sums: Any
                   ) -> None:
    """Add A B^T to sums[vector][column], local variables that the compiler keeps in registers."""
    with cgutils.for_range(builder, count) as loop:
        at = builder.mul(loop.index, LONG(rows.size * LANES))
        a_at, b_at = builder.add(a, at), builder.add(b, at)
        left = [rows.load(a_at, a_step, v) for v in range(len(sums))]
        for j in range(len(sums[0])):
            right = rows.broadcast(builder.add(b_at, LONG(rows.size * j)))
            for v, value in enumerate(left):
                place = sums[v][j]
                builder.store(emit_fused(builder, value, right, builder.load(place)), place)


def _make_tile(panels: int | None, columns: int, accumulate: bool) -> Any:
    """Return the intrinsic of a tile of 8 x `panels` rows by `columns` columns, see `tile_set`; as
    many panels as fit the registers if None."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        _, a, a_step, b, count, c, c_step = args
        scalar = SCALARS[sig.args[0]]
        rows = _Rows(builder, scalar, panels or _panels_of(scalar))
        sums = [[cgutils.alloca_once_value(builder, rows.zero()) for _ in range(columns)]
                for _ in range(rows.count)]
        _emit_products(builder, rows, a, a_step, b, count, sums)
        for j in range(columns):
            column = builder.add(c, builder.mul(c_step, LONG(j)))
            for v in range(rows.count):
                value = builder.load(sums[v][j])
                if accumulate:
                    value = builder.fadd(rows.load_rows(column, v), value)
                emit_store(builder, value, rows.after(column, v))
        return ctx.get_dummy_value()

    @kernel_operation
    def tile(typingctx: Any, real: Any, a: Any, a_step: Any, b: Any, count: Any, c: Any,
             c_step: Any) -> Any:
        return types.void(real, *[types.int64] * 6), codegen

    return tile


tile_set = _make_tile(None, TILE_COLUMNS, False)
"""C = A B^T for one tile: tile_set(real, a, a_step, b, count, c, c_step).

A is in panels of eight rows, `count` columns one after another in each, panels `a_step` bytes
apart; B is one such panel, whose first rows are used; C is column-major, columns `c_step` apart.
`real` is a number of the precision of all of them.
"""
tile_add = _make_tile(None, TILE_COLUMNS, True)
tile_set_narrow = _make_tile(1, TILE_COLUMNS, False)
tile_add_narrow = _make_tile(1, TILE_COLUMNS, True)


@kernel_operation
def tile_panels(typingctx: Any, real: Any) -> Any:
    """Return the number of panels of a tile of this precision, known when compiled."""
    return types.int64(real), lambda ctx, b, sig, args: LONG(_panels_of(SCALARS[sig.args[0]]))


def _make_solve(panels: int | None) -> Any:
    """Return the intrinsic that finishes 8 x `panels` rows (None: of a tile) of eight columns of L.

    finish(real, a, a_step, b, count, f, f_step, unit, reciprocal, to, to_step): A B^T is added to
    the front's F as in `tile_add`, X (I + unit)^T = F is solved, and column c of L is x_c times
    reciprocal[c]. `unit` is 8 x 8 column-major, zero on and above the diagonal. Panels of A are
    `a_step` bytes apart, columns of F `f_step`; L goes to a panel at `to`, the next `to_step` on.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        _, a, a_step, b, count, f, f_step, unit, reciprocal, to, to_step = args
        scalar = SCALARS[sig.args[0]]
        rows = _Rows(builder, scalar, panels or _panels_of(scalar))
        size, vectors = rows.size, range(rows.count)
        solved: list[list[Any]] = [[] for _ in vectors]
        for first in range(0, LANES, TILE_COLUMNS):
            columns = [builder.add(f, builder.mul(f_step, LONG(c)))
                       for c in range(first, first + TILE_COLUMNS)]
            sums = [[cgutils.alloca_once_value(builder, rows.load_rows(column, v))
                     for column in columns] for v in vectors]
            _emit_products(builder, rows, a, a_step, builder.add(b, LONG(size * first)), count,
                           sums)
            for c in range(first, first + TILE_COLUMNS):
                values = [builder.load(sums[v][c - first]) for v in vectors]
                for e in range(c):
                    place = builder.add(unit, LONG(size * (LANES * e + c)))
                    factor = builder.fneg(rows.broadcast(place))
                    values = [emit_fused(builder, factor, solved[v][e], values[v])
                              for v in vectors]
                scale = rows.broadcast(builder.add(reciprocal, LONG(size * c)))
                for v in vectors:
                    solved[v].append(values[v])
                    rows.store(builder.fmul(values[v], scale),
                               builder.add(to, LONG(size * LANES * c)), to_step, v)
        return ctx.get_dummy_value()

    @kernel_operation
    def finish(
        typingctx: Any, real: Any, a: Any, a_step: Any, b: Any, count: Any, f: Any, f_step: Any,
        unit: Any, reciprocal: Any, to: Any, to_step: Any,
    ) -> Any:
        return types.void(real, *[types.int64] * 10), codegen

    return finish


finish_rows = _make_solve(None)
finish_rows_narrow = _make_solve(1)
