"""Sparse symmetric direct solvers, possibly indefinite, behind one interface."""

from __future__ import annotations

import os

from simkit.errors import InputError
from simkit.solve.linear.multifrontal import MultifrontalLDL
from simkit.solve.linear.pardiso import PardisoLDL, library
from simkit.solve.linear.pattern import (
    CORRECTION_GOAL,
    Factorisation,
    Pattern,
    SingularMatrix,
)
from simkit.solve.linear.superlu import SymmetricSuperLU

__all__ = ["CORRECTION_GOAL", "Factorisation", "Pattern", "SingularMatrix", "available",
           "make_solver"]

VARIABLE = "SIMKIT_SOLVER"
BACKENDS = {
    "multifrontal": MultifrontalLDL,
    "pardiso": PardisoLDL,
    "superlu": SymmetricSuperLU,
}


def available() -> list[str]:
    """Return the names of the installed backends; the first is the one that 'auto' takes."""
    return [name for name in BACKENDS if name != "pardiso" or library() is not None]


def make_solver(pattern: Pattern, backend: str = "auto", threads: int = 1) -> Factorisation:
    """Return a solver for matrices of this pattern; the pattern is analysed once, here.

    `backend` is 'auto', 'multifrontal', 'pardiso' or 'superlu'. With 'auto' the environment
    variable SIMKIT_SOLVER decides, if set. superlu ignores `threads`. Raises InputError for a
    backend that is unknown or not installed, and for fewer than one thread.

    'auto' is multifrontal: measured with `benchmarks/linear_solvers.py` (degree 2, one thread,
    Zen 5; MKL 2026.2, mtype -2; all in double precision, single takes 0.6 and 0.5 of
    multifrontal's), milliseconds to factor / solve one side:

    elements   multifrontal   pardiso      superlu
    32 x 32    1.4 / 0.2      6.8 / 0.3    26 / 0.5
    64 x 64    11.2 / 1.8     45 / 3.1     165 / 5.0
    128 x 128  82 / 11.8      316 / 23     not run

    On another processor the order may differ; then set the variable.
    """
    key = None
    if backend == "auto":
        backend = os.environ.get(VARIABLE) or "auto"
        key = VARIABLE if os.environ.get(VARIABLE) else None
    if backend == "auto":
        backend = "multifrontal"
    if backend not in available():
        raise InputError(
            f"no linear solver '{backend}' here", f"one of: auto, {', '.join(available())}", key=key
        )
    if threads < 1:
        raise InputError(f"{threads} solver threads", "at least 1", key="threads")
    return BACKENDS[backend](pattern, threads)
