"""Vectors of eight floats, of double or single precision, in compiled kernels.

With plain numba loops, the compiler decides whether it uses vector instructions. The dense
kernels of the solver must have them, with sums kept in registers. The few operations below are
therefore written in LLVM's intermediate language. This works on any processor: where it has no
registers for eight floats, the compiler splits the vectors. Addresses are plain integers (bytes),
as an array's `ctypes.data` gives them, so an operation that reads must be told what it reads: those
with `_of` in their names take a number of the precision wanted as their first argument and ignore
its value; the others read double precision.
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
SCALARS = {types.float64: DOUBLE, types.float32: ir.FloatType()}
"""Kinds of numbers in the compiler's language."""


def kernel_operation(describe: Callable[..., Any]) -> Any:
    """Numba's `intrinsic`, typed as Any: kernels call the result without the typing context."""
    return intrinsic(describe)


class Vector8(types.Type):
    """Eight floats in a register; `real` is their type."""

    def __init__(self, real: Any) -> None:
        self.real = real
        super().__init__(name=f"Vector8({real})")


VECTORS = {real: Vector8(real) for real in SCALARS}
vector8 = VECTORS[types.float64]


@register_model(Vector8)
class _Vector8Model(models.PrimitiveModel):
    def __init__(self, dmm: Any, fe_type: Any) -> None:
        super().__init__(dmm, fe_type, ir.VectorType(SCALARS[fe_type.real], LANES))


def size_of(scalar: Any) -> int:
    """Bytes of a float of the compiler's language."""
    return 8 if isinstance(scalar, ir.DoubleType) else 4


def emit_load(builder: Any, address: Any, scalar: Any = DOUBLE, lanes: int = LANES) -> Any:
    """Return the eight (or so many) floats at an address."""
    kind = ir.VectorType(scalar, lanes)
    return builder.load(builder.inttoptr(address, kind.as_pointer()), align=size_of(scalar))


def emit_store(builder: Any, value: Any, address: Any) -> None:
    """Write the floats of a vector to an address."""
    builder.store(value, builder.inttoptr(address, value.type.as_pointer()),
                  align=size_of(value.type.element))


def emit_broadcast(builder: Any, value: Any, lanes: int = LANES) -> Any:
    """Return a vector with the same float in all lanes."""
    nothing = ir.Constant(ir.VectorType(value.type, lanes), ir.Undefined)
    one = builder.insert_element(nothing, value, ir.Constant(ir.IntType(32), 0))
    mask = ir.Constant(ir.VectorType(ir.IntType(32), lanes), [0] * lanes)
    return builder.shuffle_vector(one, nothing, mask)


def emit_broadcast_load(builder: Any, address: Any, scalar: Any = DOUBLE,
                        lanes: int = LANES) -> Any:
    """Return a vector with the float at an address in all lanes."""
    value = builder.load(builder.inttoptr(address, scalar.as_pointer()), align=size_of(scalar))
    return emit_broadcast(builder, value, lanes)


def _kind_of(vector: Any) -> str:
    """Name of a vector type in the names of the compiler's functions."""
    return f"v{vector.count}f{8 * size_of(vector.element)}"


def emit_fused(builder: Any, a: Any, b: Any, c: Any) -> Any:
    """Return a b + c."""
    kind = ir.FunctionType(a.type, [a.type] * 3)
    call = cgutils.get_or_insert_function(builder.module, kind,
                                          f"llvm.fmuladd.{_kind_of(a.type)}")
    return builder.call(call, [a, b, c])


def emit_zero(scalar: Any = DOUBLE, lanes: int = LANES) -> Any:
    """Return zeros."""
    return ir.Constant(ir.VectorType(scalar, lanes), [0.0] * lanes)


@kernel_operation
def size_of_real(typingctx: Any, real: Any) -> Any:
    """Return the size of a float of this precision in bytes, known when compiled."""
    return types.int64(real), lambda ctx, b, sig, args: LONG(size_of(SCALARS[sig.args[0]]))


@kernel_operation
def load8_of(typingctx: Any, real: Any, address: Any) -> Any:
    """Return the eight floats at an address, of the precision of `real`."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        return emit_load(builder, args[1], SCALARS[sig.args[0]])

    return VECTORS[real](real, types.int64), codegen


@kernel_operation
def broadcast_load8_of(typingctx: Any, real: Any, address: Any) -> Any:
    """Return the one float at an address eight times, of the precision of `real`."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        return emit_broadcast_load(builder, args[1], SCALARS[sig.args[0]])

    return VECTORS[real](real, types.int64), codegen


@kernel_operation
def broadcast8_of(typingctx: Any, real: Any, value: Any) -> Any:
    """Return a float eight times, rounded to the precision of `real`."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        value, to = args[1], SCALARS[sig.args[0]]
        if sig.args[0] != sig.args[1]:
            narrower = sig.args[0] == types.float32
            value = builder.fptrunc(value, to) if narrower else builder.fpext(value, to)
        return emit_broadcast(builder, value)

    return VECTORS[real](real, value), codegen


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

    return types.void(types.int64, value), codegen


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
    signature = a(a, a, a)
    return signature, lambda ctx, builder, sig, args: emit_fused(builder, *args)


@kernel_operation
def fnma8(typingctx: Any, a: Any, b: Any, c: Any) -> Any:
    """Return c - a b."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        return emit_fused(builder, builder.fneg(args[0]), args[1], args[2])

    return a(a, a, a), codegen


@kernel_operation
def multiply8(typingctx: Any, a: Any, b: Any) -> Any:
    """Return a b."""
    return a(a, a), lambda ctx, b, sig, args: b.fmul(*args)


@kernel_operation
def add8(typingctx: Any, a: Any, b: Any) -> Any:
    """Return a + b."""
    return a(a, a), lambda ctx, b, sig, args: b.fadd(*args)


@kernel_operation
def subtract8(typingctx: Any, a: Any, b: Any) -> Any:
    """Return a - b."""
    return a(a, a), lambda ctx, b, sig, args: b.fsub(*args)


@kernel_operation
def max_abs8(typingctx: Any, a: Any, b: Any) -> Any:
    """Return the larger of |a| and b, lane by lane; NaN in a is kept."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        kind = ir.FunctionType(args[0].type, [args[0].type])
        call = cgutils.get_or_insert_function(builder.module, kind,
                                              f"llvm.fabs.{_kind_of(args[0].type)}")
        size = builder.call(call, [args[0]])
        keep = builder.fcmp_ordered("<=", size, args[1])
        return builder.select(keep, args[1], size)

    return a(a, a), codegen


@kernel_operation
def sum8(typingctx: Any, a: Any) -> Any:
    """Return the sum of the eight lanes, added pairwise: (a0 + a4) + (a2 + a6) + ..."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        value, width = args[0], LANES
        nothing = ir.Constant(value.type, ir.Undefined)
        while width > 1:
            width //= 2
            lanes = [(lane + width) % LANES for lane in range(LANES)]
            mask = ir.Constant(ir.VectorType(ir.IntType(32), LANES), lanes)
            value = builder.fadd(value, builder.shuffle_vector(value, nothing, mask))
        return builder.extract_element(value, ir.Constant(ir.IntType(32), 0))

    return a.real(a), codegen


@njit(cache=True)
def aligned(size: int) -> np.ndarray:
    """Return `size` uninitialised floats that begin on a cache line (64 bytes)."""
    room = np.empty(size + LANES)
    skip = (-address(room) % (8 * LANES)) // 8
    return room[skip : skip + size]


def aligned_of(real: type[np.floating], size: int) -> np.ndarray:
    """Return `size` uninitialised floats of this precision that begin on a cache line."""
    itemsize = np.dtype(real).itemsize
    room = np.empty(size * itemsize + 64, np.uint8)
    skip = -room.ctypes.data % 64
    return room[skip : skip + size * itemsize].view(real)
