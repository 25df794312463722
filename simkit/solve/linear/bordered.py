"""Bordered solve: a factored matrix with a few additional unknowns.

A tool that moves as a rigid body, such as a glued tab, adds such unknowns to those of the sheet.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.kernels.simd import LANES
from simkit.solve.linear.multifrontal import BorderFactor, MultifrontalLDL
from simkit.solve.linear.pattern import RESIDUAL_GOAL, Factorisation, SingularMatrix

Array = NDArray[np.float64]


class Bordered:
    """Solves [[K, C], [C^T, S]] [x, y] = b with the factorisation that the solver holds of K.

    Block elimination with the Schur complement: (S - C^T K^-1 C) y = b_y - C^T K^-1 b_x, then
    x = K^-1 b_x - K^-1 C y. C (n, q) and S (q, q) do not change. K^-1 C is computed once: here with
    our own solver, at the first solution with others; each further solution then needs one
    right-hand side. Make a new object after each factorisation. Raises SingularMatrix.
    """

    def __init__(self, solver: Factorisation, coupling: Array, own: Array) -> None:
        self._solver, self._coupling, self._own = solver, coupling, own
        self._solved_coupling: Array | None = None
        self._factor: BorderFactor | None = None
        if isinstance(solver, MultifrontalLDL) and 0 < own.shape[0] <= LANES:
            self._factor = solver.prepare_border(coupling, own)

    def solve(self, b: Array, goal: float = RESIDUAL_GOAL) -> Array:
        """Return [x, y] (n + q,) for b (n + q,), refined where the relative residual exceeds the
        goal. Raises SingularMatrix."""
        n, q = self._coupling.shape
        if q == 0:
            return self._solver.solve(b, goal)
        if self._factor is not None:
            assert isinstance(self._solver, MultifrontalLDL)
            x, y, size = self._solver.solve_bordered(b[:n], b[n:], self._factor, goal)
            if size <= goal:
                return np.concatenate([x, y])
            self._factor = None  # inaccurate factors: use solutions with the sheet alone
        if self._solved_coupling is None:
            both = self._solver.solve(np.column_stack([b[:n], self._coupling]))
            base, self._solved_coupling = both[:, 0], both[:, 1:]
        else:
            base = self._solver.solve(b[:n])
        schur = self._own - self._coupling.T @ self._solved_coupling
        try:
            y = np.linalg.solve(schur, b[n:] - self._coupling.T @ base)
        except np.linalg.LinAlgError as error:
            raise SingularMatrix("the matrix with its border is singular") from error
        return np.concatenate([base - self._solved_coupling @ y, y])
