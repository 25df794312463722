"""A factored matrix with a few more unknowns beside it, as a tool with motions of its own adds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.solve.linear.pattern import Factorisation

Array = NDArray[np.float64]


class Bordered:
    """Solves [[K, C], [C^T, S]] [x, y] = b with K as the solver has factored it.

    C (n, q) and S (q, q) do not change; what C becomes behind K is kept from the first solution,
    so that every further one has a single side. Make a new object after a factorisation.
    """

    def __init__(self, solver: Factorisation, coupling: Array, own: Array) -> None:
        self._solver, self._coupling, self._own = solver, coupling, own
        self._carried: Array | None = None
        self._schur = own

    def solve(self, b: Array) -> Array:
        """Return [x, y] (n + q,) for b (n + q,). Raises SingularMatrix, numpy's LinAlgError."""
        n, q = self._coupling.shape
        if q == 0:
            return self._solver.solve(b)
        if self._carried is None:
            both = self._solver.solve(np.column_stack([b[:n], self._coupling]))
            base, self._carried = both[:, 0], both[:, 1:]
            self._schur = self._own - self._coupling.T @ self._carried
        else:
            base = self._solver.solve(b[:n])
        y = np.linalg.solve(self._schur, b[n:] - self._coupling.T @ base)
        return np.concatenate([base - self._carried @ y, y])
