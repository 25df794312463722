"""scipy's SuperLU in symmetric mode: slow, but available with every scipy."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import SuperLU, splu

from simkit.solve.linear.pattern import (
    RESIDUAL_GOAL,
    Pattern,
    SingularMatrix,
    checked_values,
    solve_refined,
)

SMALLEST_PIVOT = 1e-13  # pivot, relative to the largest value, below which it counts as zero


class SymmetricSuperLU:
    """LU with diagonal pivots where these are not zero; the pattern is analysed at every call.

    `negative_pivots` is known only if SuperLU exchanged no rows: the diagonal of U is then D.
    """

    name = "superlu"

    def __init__(self, pattern: Pattern, threads: int = 1) -> None:
        self.pattern = pattern
        self.negative_pivots: int | None = None
        self._factors: SuperLU | None = None
        self._data = np.zeros(0)
        rows = np.repeat(np.arange(pattern.n), np.diff(pattern.indptr))
        columns = np.asarray(pattern.indices)
        off = np.flatnonzero(rows != columns)
        i, j = np.concatenate([rows, columns[off]]), np.concatenate([columns, rows[off]])
        source = np.concatenate([np.arange(pattern.nnz), off])
        order = np.lexsort((i, j))
        self._source, self._row = source[order], i[order].astype(np.int32)
        counts = np.bincount(j, minlength=pattern.n)
        self._start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)

    def factor(self, data: np.ndarray, changed: np.ndarray | None = None) -> None:
        """Factor the matrix with these values; `changed` is ignored."""
        self._factors, self.negative_pivots = None, None
        values = checked_values(self.pattern, data).copy()
        n = self.pattern.n
        matrix = csc_matrix((values[self._source], self._row, self._start), shape=(n, n))
        try:
            factors = splu(
                matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0,
                options={"SymmetricMode": True},
            )
        except RuntimeError as error:
            raise SingularMatrix(f"SuperLU: {error}") from error
        diagonal = factors.U.diagonal()
        if np.abs(diagonal).min() <= SMALLEST_PIVOT * np.abs(values).max():
            raise SingularMatrix("SuperLU: a pivot is zero to rounding")
        if np.array_equal(factors.perm_r, factors.perm_c):
            self.negative_pivots = int(np.count_nonzero(diagonal < 0.0))
        self._factors, self._data = factors, values

    def solve(self, b: np.ndarray, goal: float = RESIDUAL_GOAL) -> np.ndarray:
        """Solve for b (n,) or (n, m), refined where the relative residual exceeds the goal."""
        if self._factors is None:
            raise SingularMatrix("there is no factorisation to solve with")
        return solve_refined(self.pattern, self._data, b, self._substitute, goal)

    def _substitute(self, b: np.ndarray) -> np.ndarray:
        """Return the solution of the factored system for b (n, m)."""
        assert self._factors is not None
        return np.asfortranarray(self._factors.solve(b))
