"""MKL PARDISO behind the common interface; needs the package pypardiso, which brings MKL."""

from __future__ import annotations

import ctypes
import weakref
from functools import cache
from typing import Any

import numpy as np

from simkit.solve.linear.pattern import (
    RESIDUAL_GOAL,
    Pattern,
    SingularMatrix,
    checked_values,
    solve_refined,
)

SYMMETRIC_INDEFINITE = -2  # mtype: real, symmetric, indefinite
ANALYSE, FACTOR, SOLVE, RELEASE = 11, 22, 33, -1
# Positions in iparm, counted from 0 as C does (the MKL manual counts from 1).
OWN_SETTINGS, ORDERING, PERTURB, SCALING, MATCHING = 0, 1, 9, 10, 12
PERTURBED, PIVOTING, NEGATIVE, ZERO_BASED = 13, 20, 22, 34
NESTED_DISSECTION = 2
ERRORS = {-1: "inconsistent input", -2: "not enough memory", -3: "reordering failed",
          -4: "zero pivot", -6: "reordering failed", -7: "diagonal matrix is singular"}


@cache
def library() -> Any | None:
    """Return MKL as a ctypes library, None where pypardiso or MKL is missing."""
    try:
        from pypardiso.scipy_aliases import pypardiso_solver
    except (ImportError, OSError):
        return None
    return ctypes.CDLL(pypardiso_solver.libmkl._name)


class PardisoLDL:
    """LDL^T with 1x1 and 2x2 pivots (Bunch-Kaufman inside blocks), pattern analysed once."""

    name = "pardiso"

    def __init__(self, pattern: Pattern, threads: int = 1) -> None:
        mkl = library()
        if mkl is None:
            raise ImportError("the pardiso backend needs the package pypardiso")
        self.pattern = pattern
        self.negative_pivots: int | None = None
        self._mkl, self._threads = mkl, threads
        self._handle = np.zeros(64, np.int64)
        self._settings = np.zeros(64, np.int32)
        settings = {OWN_SETTINGS: 1, ORDERING: NESTED_DISSECTION, PERTURB: 13, SCALING: 0,
                    MATCHING: 0, PIVOTING: 1, ZERO_BASED: 1}
        for key, value in settings.items():
            self._settings[key] = value
        self._indptr = np.ascontiguousarray(pattern.indptr, np.int32)
        self._indices = np.ascontiguousarray(pattern.indices, np.int32)
        self._data: np.ndarray | None = None
        self._call(ANALYSE, np.zeros(pattern.nnz), np.zeros(0), np.zeros(0), 1)
        self._finalizer = weakref.finalize(
            self, _release, mkl, self._handle, self._settings, pattern.n
        )

    def factor(self, data: np.ndarray, changed: np.ndarray | None = None) -> None:
        """Factor the matrix with these values; `changed` is ignored."""
        self._data, self.negative_pivots = None, None
        values = checked_values(self.pattern, data).copy()
        self._call(FACTOR, values, np.zeros(0), np.zeros(0), 1)
        if self._settings[PERTURBED] > 0:
            raise SingularMatrix(f"{self._settings[PERTURBED]} pivots are zero to rounding")
        self._data = values
        self.negative_pivots = int(self._settings[NEGATIVE])

    def solve(self, b: np.ndarray, goal: float = RESIDUAL_GOAL) -> np.ndarray:
        """Solve for b (n,) or (n, m), refined where the relative residual exceeds the goal."""
        if self._data is None:
            raise SingularMatrix("there is no factorisation to solve with")
        return solve_refined(self.pattern, self._data, b, self._substitute, goal)

    def _substitute(self, b: np.ndarray) -> np.ndarray:
        """Return the solution of the factored system for b (n, m), Fortran order."""
        assert self._data is not None
        right, x = b.copy(order="F"), np.empty_like(b, order="F")
        self._call(SOLVE, self._data, right, x, b.shape[1])
        return x

    def _call(self, phase: int, data: np.ndarray, b: np.ndarray, x: np.ndarray, many: int) -> None:
        """Call one phase of PARDISO.

        Raises SingularMatrix on a zero pivot, RuntimeError on any other error.
        """
        before = self._mkl.MKL_Set_Num_Threads_Local(ctypes.c_int(self._threads))
        try:
            error = _pardiso(
                self._mkl, self._handle, self._settings, phase, self.pattern.n,
                (data, self._indptr, self._indices), b, x, many,
            )
        finally:
            self._mkl.MKL_Set_Num_Threads_Local(ctypes.c_int(before))
        if error in (-4, -7):
            raise SingularMatrix(f"PARDISO: {ERRORS[error]}")
        if error != 0:
            raise RuntimeError(f"PARDISO: {ERRORS.get(error, 'internal error')} ({error})")


def _pardiso(
    mkl: Any,
    handle: np.ndarray,
    settings: np.ndarray,
    phase: int,
    n: int,
    matrix: tuple[np.ndarray, np.ndarray, np.ndarray],
    b: np.ndarray,
    x: np.ndarray,
    many: int,
) -> int:
    """Call the library with all arguments by reference; return its error code."""

    def integer(value: int) -> Any:
        return ctypes.byref(ctypes.c_int32(value))

    def address(array: np.ndarray) -> ctypes.c_void_p:
        return ctypes.c_void_p(array.ctypes.data)

    error, permutation = ctypes.c_int32(0), ctypes.c_int32(0)
    data, indptr, indices = matrix
    mkl.pardiso(
        address(handle), integer(1), integer(1), integer(SYMMETRIC_INDEFINITE), integer(phase),
        integer(n), address(data), address(indptr), address(indices), ctypes.byref(permutation),
        integer(many), address(settings), integer(0), address(b), address(x), ctypes.byref(error),
    )
    return error.value


def _release(mkl: Any, handle: np.ndarray, settings: np.ndarray, n: int) -> None:
    """Release PARDISO's memory."""
    nothing, none = np.zeros(1), np.zeros(1, np.int32)
    _pardiso(mkl, handle, settings, RELEASE, n, (nothing, none, none), nothing, nothing, 1)
