"""scipy's BLAS called from compiled kernels through its C address.

The address travels as a plain integer argument, so kernels stay cacheable on disk: a ctypes
pointer or a symbol frozen into the code would not survive the next process.
"""

from __future__ import annotations

import ctypes
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

import numpy as np
import scipy.linalg.cython_blas
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import get_cython_function_address, intrinsic

NAMES = ("dgemm", "dtrsm")
GEMM, TRSM = range(2)


@cache
def addresses() -> np.ndarray:
    """Return the addresses of dgemm and dtrsm, (2,) int64."""
    module = "scipy.linalg.cython_blas"
    return np.array([get_cython_function_address(module, name) for name in NAMES], dtype=np.int64)


@cache
def _thread_controls() -> tuple[Any, Any] | None:
    """Return (get, set) of OpenBLAS's thread count, None where scipy links another BLAS."""
    library = ctypes.CDLL(scipy.linalg.cython_blas.__file__)
    for prefix in ("scipy_openblas", "openblas"):
        get = getattr(library, f"{prefix}_get_num_threads", None)
        put = getattr(library, f"{prefix}_set_num_threads", None)
        if get is not None and put is not None:
            return get, put
    return None


class _Holders:
    """How many callers hold BLAS to one thread, and the thread count to give back."""

    lock = threading.Lock()
    number = 0
    before = 1


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Hold scipy's BLAS to one thread: fronts are too small to share out, subtrees are not.

    The count is common to the whole process, so the first caller in saves it and the last out
    restores it.
    """
    controls = _thread_controls()
    if controls is None:
        yield
        return
    get, put = controls
    with _Holders.lock:
        if _Holders.number == 0:
            _Holders.before = get()
            put(1)
        _Holders.number += 1
    try:
        yield
    finally:
        with _Holders.lock:
            _Holders.number -= 1
            if _Holders.number == 0:
                put(_Holders.before)


def _by_reference(context, builder, signature, args, kinds):
    """Turn values into the pointers of a Fortran call: c char, i int, d double, p address."""
    passed = []
    for value, kind, argtype in zip(args, kinds, signature.args[1:], strict=True):
        if kind == "p":
            passed.append(builder.inttoptr(value, ir.PointerType(ir.DoubleType())))
            continue
        target = {"c": types.int8, "i": types.int32, "d": types.float64}[kind]
        cast = context.cast(builder, value, argtype, target)
        passed.append(cgutils.alloca_once_value(builder, cast))
    return passed


def _caller(kinds):
    """Return the code generator of a call whose arguments are of these kinds."""

    def codegen(context, builder, signature, args):
        passed = _by_reference(context, builder, signature, args[1:], kinds)
        call = ir.FunctionType(ir.VoidType(), [value.type for value in passed])
        builder.call(builder.inttoptr(args[0], call.as_pointer()), passed)
        return context.get_dummy_value()

    return codegen


def _dgemm(typingctx, address, ta, tb, m, n, k, alpha, a, lda, b, ldb, beta, c, ldc):
    """C = alpha op(A) op(B) + beta C; ta, tb character codes, a, b, c addresses."""
    signature = types.void(address, ta, tb, m, n, k, alpha, a, lda, b, ldb, beta, c, ldc)
    return signature, _caller("cciiidpipidpi")


def _dtrsm(typingctx, address, side, uplo, trans, diag, m, n, alpha, a, lda, b, ldb):
    """B = alpha op(A)^-1 B or alpha B op(A)^-1, A triangular; a, b addresses."""
    signature = types.void(address, side, uplo, trans, diag, m, n, alpha, a, lda, b, ldb)
    return signature, _caller("cccciidpipi")


dgemm: Any = intrinsic(_dgemm)
dtrsm: Any = intrinsic(_dtrsm)
