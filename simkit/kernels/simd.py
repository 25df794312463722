"""Vectors of eight floats in compiled kernels.

With plain numba loops, the compiler decides whether it uses vector instructions. The dense
kernels of the solver must have them, with sums kept in registers. The few operations below are
therefore written in LLVM's intermediate language. This works on any processor: where it has no
registers for eight floats, the compiler splits the vectors. Addresses are plain integers (bytes),
as an array's `ctypes.data` gives them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.core import cgutils
from numba.extending import intrinsic, models, register_model

LANES = 8
ROW_BYTES = 8 * LANES
PREFETCH_BYTES = 4096  # distance by which `prefetch` runs ahead of data read from memory in order
DOUBLE, LONG = ir.DoubleType(), ir.IntType(64)
VECTOR = ir.VectorType(DOUBLE, LANES)


def kernel_operation(describe: Callable[..., Any]) -> Any:
    """Numba's `intrinsic`, typed as Any: kernels call the result without the typing context."""
    return intrinsic(describe)


class Vector8(types.Type):
    """Eight floats in a register."""

    def __init__(self) -> None:
        super().__init__(name="Vector8")


vector8 = Vector8()


@register_model(Vector8)
class _Vector8Model(models.PrimitiveModel):
    def __init__(self, dmm: Any, fe_type: Any) -> None:
        super().__init__(dmm, fe_type, VECTOR)


def emit_load(builder: Any, address: Any) -> Any:
    """Return the eight floats at an address."""
    return builder.load(builder.inttoptr(address, VECTOR.as_pointer()), align=8)


def emit_store(builder: Any, value: Any, address: Any) -> None:
    """Write eight floats to an address."""
    builder.store(value, builder.inttoptr(address, VECTOR.as_pointer()), align=8)


def emit_broadcast(builder: Any, value: Any) -> Any:
    """Return a vector with the same float eight times."""
    nothing = ir.Constant(VECTOR, ir.Undefined)
    one = builder.insert_element(nothing, value, ir.Constant(ir.IntType(32), 0))
    mask = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
    return builder.shuffle_vector(one, nothing, mask)


def emit_broadcast_load(builder: Any, address: Any) -> Any:
    """Return a vector with the float at an address eight times."""
    value = builder.load(builder.inttoptr(address, DOUBLE.as_pointer()), align=8)
    return emit_broadcast(builder, value)


def emit_fused(builder: Any, a: Any, b: Any, c: Any) -> Any:
    """Return a b + c."""
    kind = ir.FunctionType(VECTOR, [VECTOR] * 3)
    call = cgutils.get_or_insert_function(builder.module, kind, "llvm.fmuladd.v8f64")
    return builder.call(call, [a, b, c])


def emit_zero() -> Any:
    """Return eight zeros."""
    return ir.Constant(VECTOR, [0.0] * LANES)


@njit(cache=True)
def address(array: np.ndarray) -> Any:
    """Return the address of an array's first number, as a signed integer."""
    return np.int64(array.ctypes.data)


@kernel_operation
def load8(typingctx: Any, address: Any) -> Any:
    """Return the eight floats at an address."""
    return vector8(types.int64), lambda ctx, b, sig, args: emit_load(b, args[0])


@kernel_operation
def store8(typingctx: Any, address: Any, value: Any) -> Any:
    """Write eight floats to an address."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        emit_store(builder, args[1], args[0])
        return ctx.get_dummy_value()

    return types.void(types.int64, vector8), codegen


@kernel_operation
def broadcast_load8(typingctx: Any, address: Any) -> Any:
    """Return the one float at an address eight times."""
    return vector8(types.int64), lambda ctx, b, sig, args: emit_broadcast_load(b, args[0])


@kernel_operation
def prefetch(typingctx: Any, address: Any) -> Any:
    """Request the cache line at an address before it is used; an invalid address is harmless."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        byte, flag = ir.IntType(8).as_pointer(), ir.IntType(32)
        kind = ir.FunctionType(ir.VoidType(), [byte, flag, flag, flag])
        call = cgutils.get_or_insert_function(builder.module, kind, "llvm.prefetch.p0i8")
        builder.call(call, [builder.inttoptr(args[0], byte), flag(0), flag(3), flag(1)])
        return ctx.get_dummy_value()

    return types.void(types.int64), codegen


@kernel_operation
def broadcast8(typingctx: Any, value: Any) -> Any:
    """Return a float eight times."""
    return vector8(types.float64), lambda ctx, b, sig, args: emit_broadcast(b, args[0])


@kernel_operation
def fma8(typingctx: Any, a: Any, b: Any, c: Any) -> Any:
    """Return a b + c."""
    signature = vector8(vector8, vector8, vector8)
    return signature, lambda ctx, builder, sig, args: emit_fused(builder, *args)


@kernel_operation
def fnma8(typingctx: Any, a: Any, b: Any, c: Any) -> Any:
    """Return c - a b."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        return emit_fused(builder, builder.fneg(args[0]), args[1], args[2])

    return vector8(vector8, vector8, vector8), codegen


@kernel_operation
def multiply8(typingctx: Any, a: Any, b: Any) -> Any:
    """Return a b."""
    return vector8(vector8, vector8), lambda ctx, b, sig, args: b.fmul(*args)


@kernel_operation
def add8(typingctx: Any, a: Any, b: Any) -> Any:
    """Return a + b."""
    return vector8(vector8, vector8), lambda ctx, b, sig, args: b.fadd(*args)


@kernel_operation
def subtract8(typingctx: Any, a: Any, b: Any) -> Any:
    """Return a - b."""
    return vector8(vector8, vector8), lambda ctx, b, sig, args: b.fsub(*args)


@kernel_operation
def max_abs8(typingctx: Any, a: Any, b: Any) -> Any:
    """Return the larger of |a| and b, lane by lane; NaN in a is kept."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        kind = ir.FunctionType(VECTOR, [VECTOR])
        call = cgutils.get_or_insert_function(builder.module, kind, "llvm.fabs.v8f64")
        size = builder.call(call, [args[0]])
        keep = builder.fcmp_ordered("<=", size, args[1])
        return builder.select(keep, args[1], size)

    return vector8(vector8, vector8), codegen


@kernel_operation
def sum8(typingctx: Any, a: Any) -> Any:
    """Return the sum of the eight lanes, added pairwise: (a0 + a4) + (a2 + a6) + ..."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        value, width = args[0], LANES
        nothing = ir.Constant(VECTOR, ir.Undefined)
        while width > 1:
            width //= 2
            lanes = [(lane + width) % LANES for lane in range(LANES)]
            mask = ir.Constant(ir.VectorType(ir.IntType(32), LANES), lanes)
            value = builder.fadd(value, builder.shuffle_vector(value, nothing, mask))
        return builder.extract_element(value, ir.Constant(ir.IntType(32), 0))

    return types.float64(vector8), codegen


@njit(cache=True)
def aligned(size: int) -> np.ndarray:
    """Return `size` uninitialised floats that begin on a cache line (64 bytes)."""
    room = np.empty(size + LANES)
    skip = (-address(room) % (8 * LANES)) // 8
    return room[skip : skip + size]
