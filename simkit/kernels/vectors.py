"""Arithmetic on eight floats at once, written like arithmetic on one.

Once this module is imported, ``+``, ``-``, ``*`` and ``/`` in compiled code work on the vectors of
:mod:`simkit.kernels.simd`. Scratch memory is an array of such vectors; row k is the k-th of them,
at address base + k * ROW_BYTES.
"""

from __future__ import annotations

import operator
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.typing.templates import ConcreteTemplate, infer_global, signature
from numba.extending import lower_builtin

from simkit.kernels.simd import (
    DOUBLE,
    LANES,
    LONG,
    ROW_BYTES,
    VECTOR,
    emit_broadcast,
    emit_load,
    emit_store,
    kernel_operation,
    vector8,
)

FUSE = ("contract",)
"""LLVM flag: the compiler may fuse a product and a sum into one instruction."""


def _operator(function: Any, emit: Any) -> None:
    """Define an operator for two vectors; ``emit`` writes its code."""

    cases = [signature(vector8, vector8, vector8)]
    infer_global(function)(type("Template", (ConcreteTemplate,), {"cases": cases}))
    lower_builtin(function, vector8, vector8)(
        lambda ctx, builder, sig, args: emit(builder, *args))


_operator(operator.add, lambda b, x, y: b.fadd(x, y, flags=FUSE))
_operator(operator.sub, lambda b, x, y: b.fsub(x, y, flags=FUSE))
_operator(operator.mul, lambda b, x, y: b.fmul(x, y, flags=FUSE))
_operator(operator.truediv, lambda b, x, y: b.fdiv(x, y))


@kernel_operation
def load(typingctx: Any, base: Any, number: Any) -> Any:
    """Return row ``number`` of the scratch memory that begins at address ``base``."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        offset = builder.mul(args[1], ir.Constant(ir.IntType(64), ROW_BYTES))
        return emit_load(builder, builder.add(args[0], offset))

    return vector8(types.int64, types.int64), codegen


def _products(builder: Any, base: Any, pairs: Any) -> Any:
    """Sum of products of two rows each; the pairs hold the rows' numbers."""
    total = None
    for pair in pairs:
        rows = [emit_load(builder, builder.add(base, builder.mul(
            number, ir.Constant(LONG, ROW_BYTES)))) for number in pair]
        product = builder.fmul(*rows, flags=FUSE)
        total = product if total is None else builder.fadd(total, product, flags=FUSE)
    return total


@kernel_operation
def strided_dot(typingctx: Any, base: Any, a: Any, step: Any, b: Any, stride: Any) -> Any:
    """Sum over k = 0, 1, 2 of row (a + k step) times row (b + k stride).

    This and the other functions in frequent use here emit LLVM code directly: every numba function
    that is inlined elsewhere adds seconds to the compilation.
    """

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        base, a, step, b, stride = args
        pairs = [(builder.add(a, builder.mul(step, ir.Constant(LONG, k))),
                  builder.add(b, builder.mul(stride, ir.Constant(LONG, k)))) for k in range(3)]
        return _products(builder, base, pairs)

    return vector8(*[types.int64] * 5), codegen


@kernel_operation
def dot(typingctx: Any, base: Any, a: Any, b: Any) -> Any:
    """Inner product of two vectors whose components are the three rows from a and from b on."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        base, a, b = args
        pairs = [tuple(builder.add(at, ir.Constant(LONG, k)) for at in (a, b)) for k in range(3)]
        return _products(builder, base, pairs)

    return vector8(*[types.int64] * 3), codegen


@kernel_operation
def symmetric_row_dot(typingctx: Any, base: Any, at: Any, r: Any, b: Any, step: Any) -> Any:
    """Row r of a symmetric 3 x 3 matrix, stored at rows ``at`` on as 00 01 02 11 12 22, times the
    vector of the three rows b, b + step, b + 2 step."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        base, at, r, b, step = args
        one, two = (ir.Constant(LONG, k) for k in (1, 2))
        first = builder.icmp_signed("==", r, ir.Constant(LONG, 0))
        # stored entries of matrix row 0: 0 1 2; row 1: 1 3 4; row 2: 2 4 5
        k1 = builder.select(first, one, builder.add(r, two))
        k2 = builder.select(first, two, builder.add(r, ir.Constant(LONG, 3)))
        pairs = [(builder.add(at, k), builder.add(b, builder.mul(step, ir.Constant(LONG, n))))
                 for n, k in enumerate((r, k1, k2))]
        return _products(builder, base, pairs)

    return vector8(*[types.int64] * 5), codegen


@kernel_operation
def polynomial8(typingctx: Any, y: Any, coefficients: Any) -> Any:
    """c0 + y (c1 + y (c2 + ...)) for a tuple of floats."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        y, given = args
        terms = [emit_broadcast(builder, builder.extract_value(given, k))
                 for k in range(len(sig.args[1]))]
        total = terms.pop()
        for term in reversed(terms):
            total = builder.fadd(term, builder.fmul(y, total, flags=FUSE), flags=FUSE)
        return total

    return vector8(vector8, coefficients), codegen


@kernel_operation
def store(typingctx: Any, base: Any, number: Any, value: Any) -> Any:
    """Write row ``number`` of the scratch memory that begins at address ``base``."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        offset = builder.mul(args[1], ir.Constant(ir.IntType(64), ROW_BYTES))
        emit_store(builder, args[2], builder.add(args[0], offset))
        return ctx.get_dummy_value()

    return types.void(types.int64, types.int64, vector8), codegen


@kernel_operation
def sqrt8(typingctx: Any, a: Any) -> Any:
    """Square root, lane by lane."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        kind = ir.FunctionType(VECTOR, [VECTOR])
        call = cgutils.get_or_insert_function(builder.module, kind, "llvm.sqrt.v8f64")
        return builder.call(call, args)

    return vector8(vector8), codegen


@kernel_operation
def exceeds8(typingctx: Any, a: Any, b: Any) -> Any:
    """1 where a > b or where either is NaN, else 0."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        within = builder.fcmp_ordered("<=", args[0], args[1])
        zero, one = (ir.Constant(VECTOR, [v] * LANES) for v in (0.0, 1.0))
        return builder.select(within, zero, one)

    return vector8(vector8, vector8), codegen


@kernel_operation
def max8(typingctx: Any, a: Any, b: Any) -> Any:
    """The larger of a and b, lane by lane."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        return builder.select(builder.fcmp_ordered(">=", args[0], args[1]), *args)

    return vector8(vector8, vector8), codegen


@kernel_operation
def select8(typingctx: Any, which: Any, a: Any, b: Any) -> Any:
    """a where ``which`` is not 0, else b; the value not chosen may be NaN."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        zero = ir.Constant(VECTOR, [0.0] * LANES)
        return builder.select(builder.fcmp_unordered("!=", args[0], zero), args[1], args[2])

    return vector8(vector8, vector8, vector8), codegen


@kernel_operation
def any8(typingctx: Any, a: Any) -> Any:
    """Whether any lane is not 0."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        zero = ir.Constant(VECTOR, [0.0] * LANES)
        lanes = builder.fcmp_unordered("!=", args[0], zero)
        bits = builder.bitcast(lanes, ir.IntType(LANES))
        return builder.icmp_unsigned("!=", bits, ir.Constant(ir.IntType(LANES), 0))

    return types.boolean(vector8), codegen


@kernel_operation
def gather8(typingctx: Any, base: Any, at: Any) -> Any:
    """The floats at base + 8 * at bytes, lane by lane; ``at`` holds whole numbers as floats."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        places = builder.fptosi(args[1], ir.VectorType(LONG, LANES))
        result = ir.Constant(VECTOR, ir.Undefined)
        for lane in range(LANES):
            number = ir.Constant(ir.IntType(32), lane)
            offset = builder.mul(builder.extract_element(places, number), LONG(8))
            source = builder.inttoptr(builder.add(args[0], offset), DOUBLE.as_pointer())
            result = builder.insert_element(result, builder.load(source, align=8), number)
        return result

    return vector8(types.int64, vector8), codegen


@kernel_operation
def load_int(typingctx: Any, address: Any) -> Any:
    """The float at an address, converted to an integer."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        source = builder.inttoptr(args[0], DOUBLE.as_pointer())
        return builder.fptosi(builder.load(source, align=8), LONG)

    return types.int64(types.int64), codegen


@kernel_operation
def transpose8(typingctx: Any, source: Any, to: Any, step: Any) -> Any:
    """Transpose eight rows at address ``source``: lane k of all rows goes to ``to + k * step``."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        source, to, step = args
        kind = ir.VectorType(ir.IntType(32), LANES)
        rows = [emit_load(builder, builder.add(source, ir.Constant(LONG, ROW_BYTES * r)))
                for r in range(LANES)]
        for half in (4, 2, 1):
            # swap the two off-diagonal blocks, half x half each, of every 2 half x 2 half block
            first = [lane if lane & half == 0 else lane - half + LANES for lane in range(LANES)]
            second = [place + half for place in first]
            one, two = ir.Constant(kind, first), ir.Constant(kind, second)
            for r in range(LANES):
                if r & half == 0:
                    a, b = rows[r], rows[r + half]
                    rows[r] = builder.shuffle_vector(a, b, one)
                    rows[r + half] = builder.shuffle_vector(a, b, two)
        for r in range(LANES):
            place = builder.add(to, builder.mul(step, ir.Constant(LONG, r)))
            emit_store(builder, rows[r], place)
        return ctx.get_dummy_value()

    return types.void(types.int64, types.int64, types.int64), codegen
