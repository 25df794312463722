"""Exponential, logarithm and power of eight floats at once, to a few units of the last place.

The usual reductions of the argument (Muller, Elementary Functions; MEMORY):

    log x = k log 2 + log m,  x = 2^k m,  m in (sqrt(1/2), sqrt 2),
    log m = 2 artanh s = 2 s (1 + s^2/3 + s^4/5 + ...),  s = (m - 1) / (m + 1),
    exp x = 2^k exp r,  k = round(x / log 2),  |r| <= (log 2) / 2.

The terms left out of the two series are below 2^-54 of the result.
"""

from __future__ import annotations

import math
from typing import Any

import numba as nb
from llvmlite import ir
from numba.core import cgutils

from simkit.kernels.simd import LANES, VECTOR, broadcast8, kernel_operation, vector8
from simkit.kernels.vectors import polynomial8

LONGS = ir.VectorType(ir.IntType(64), LANES)
HALF_ROOT = 0x3FE6A09E667F3BCD
"""Bit pattern of sqrt(1/2) as a float."""
# log 2 in two parts: the low bits of the high part are zero, so that k * LOG_2_HIGH is exact
LOG_2_HIGH, LOG_2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10
PER_LOG_2 = 1.4426950408889634  # 1 / log 2
# coefficients of 2 artanh(s) / s - 2 by powers of s^2, and of (exp r - 1 - r) / r^2
LOG_SERIES = tuple(2.0 / (2 * k + 1) for k in range(1, 11))
EXP_SERIES = tuple(1.0 / math.factorial(k) for k in range(2, 14))


def _longs(value: int) -> Any:
    return ir.Constant(LONGS, [value] * LANES)


@kernel_operation
def exponent8(typingctx: Any, x: Any) -> Any:
    """k of x = 2^k m, with m from sqrt(1/2) to sqrt(2); x normal and positive."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        # the exponent begins at bit 52; subtracting sqrt(1/2) first moves the limit of m from 1
        bits = builder.sub(builder.bitcast(args[0], LONGS), _longs(HALF_ROOT))
        return builder.sitofp(builder.ashr(bits, _longs(52)), VECTOR)

    return vector8(vector8), codegen


@kernel_operation
def ldexp8(typingctx: Any, x: Any, k: Any) -> Any:
    """2^k x for whole k, where x and the result are normal."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        power = builder.shl(builder.fptosi(args[1], LONGS), _longs(52))
        return builder.bitcast(builder.add(builder.bitcast(args[0], LONGS), power), VECTOR)

    return vector8(vector8, vector8), codegen


@kernel_operation
def round8(typingctx: Any, x: Any) -> Any:
    """The nearest whole number."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        kind = ir.FunctionType(VECTOR, [VECTOR])
        call = cgutils.get_or_insert_function(builder.module, kind, "llvm.rint.v8f64")
        return builder.call(call, args)

    return vector8(vector8), codegen


@nb.njit(cache=True, inline="always")
def log8(x):
    """Natural logarithm of normal positive numbers."""
    k = exponent8(x)
    m, one = ldexp8(x, broadcast8(0.0) - k), broadcast8(1.0)
    s = (m - one) / (m + one)
    y = s * s
    rest = polynomial8(y, LOG_SERIES)
    return k * broadcast8(LOG_2_HIGH) + (s + s + (s * y * rest + k * broadcast8(LOG_2_LOW)))


@nb.njit(cache=True, inline="always")
def exp8(x):
    """e^x for |x| below 700."""
    k = round8(x * broadcast8(PER_LOG_2))
    r = (x - k * broadcast8(LOG_2_HIGH)) - k * broadcast8(LOG_2_LOW)
    rest = polynomial8(r, EXP_SERIES)
    return ldexp8(broadcast8(1.0) + (r + r * r * rest), k)


@nb.njit(cache=True, inline="always")
def pow8(x, n):
    """x^n for normal positive x, where |n log x| is below 700."""
    return exp8(n * log8(x))
