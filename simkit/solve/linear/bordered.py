"""A factored matrix with a few more unknowns beside it, as a tool with motions of its own adds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.kernels.simd import LANES
from simkit.solve.linear.multifrontal import BorderFactor, MultifrontalLDL
from simkit.solve.linear.pattern import RESIDUAL_GOAL, Factorisation, SingularMatrix

Array = NDArray[np.float64]


class Bordered:
    """Solves [[K, C], [C^T, S]] [x, y] = b with K as the solver has factored it.

    C (n, q) and S (q, q) do not change. K^-1 C is kept: at once with our own solver, after the
    first solution with others; every further solution then has one right-hand side. Make a new
    object after each factorisation. Raises SingularMatrix.
    """

    def __init__(self, solver: Factorisation, coupling: Array, own: Array) -> None:
        self._solver, self._coupling, self._own = solver, coupling, own
        self._solved_coupling: Array | None = None
        self._factor: BorderFactor | None = None
        if isinstance(solver, MultifrontalLDL) and 0 < own.shape[0] <= LANES:
            self._factor = solver.prepare_border(coupling, own)

    def solve(self, b: Array) -> Array:
        """Return [x, y] (n + q,) for b (n + q,). Raises SingularMatrix."""
        n, q = self._coupling.shape
        if q == 0:
            return self._solver.solve(b)
        if self._factor is not None:
            assert isinstance(self._solver, MultifrontalLDL)
            x, y, size = self._solver.solve_bordered(b[:n], b[n:], self._factor)
            if size <= RESIDUAL_GOAL:
                return np.concatenate([x, y])
            self._factor = None  # such factors need the refinement of a whole solution
        if self._solved_coupling is None:
            both = self._solver.solve(np.column_stack([b[:n], self._coupling]))
            base, self._solved_coupling = both[:, 0], both[:, 1:]
        else:
            base = self._solver.solve(b[:n])
        schur = self._own - self._coupling.T @ self._solved_coupling
        try:
            y = np.linalg.solve(schur, b[n:] - self._coupling.T @ base)
        except np.linalg.LinAlgError as error:
            raise SingularMatrix("no inverse with the unknowns beside the matrix") from error
        return np.concatenate([base - self._solved_coupling @ y, y])
