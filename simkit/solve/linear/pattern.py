"""Symmetric sparse pattern, the interface of all factorisations, and iterative refinement."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numba import njit

from simkit.solve.linear.residual import first_of_three, residual_one

RESIDUAL_GOAL = 1e-10  # relative residual above which a solution is refined
# the same for a solution that only corrects a guess, whose own residual is looked at afterwards;
# factors of single precision leave 1e-7 to 1e-4 in panels (decision 30)
CORRECTION_GOAL = 1e-4
# relative residual above which a solution is refused: a soft sheet on stiff edges (condition
# number 1e11) leaves about 1e-6, a singular matrix about 1
RESIDUAL_LIMIT = 1e-3
MAX_REFINEMENTS = 3


class SingularMatrix(ArithmeticError):
    """The matrix cannot be factored, or is so near singular that no solution can be trusted."""


@dataclass(frozen=True, eq=False)
class Pattern:
    """Positions of the stored values of a symmetric matrix: its upper triangle, row by row.

    Attributes
    ----------
    n : number of equations.
    indptr : (n + 1,) int, row i holds entries indptr[i] to indptr[i + 1] - 1.
    indices : (nnz,) int, columns, increasing within a row and starting with the diagonal.
    coords : (n, 2) int, grid position of each equation's control point. It only guides the
        order of elimination: any coordinates give a correct solution.
    """

    n: int
    indptr: np.ndarray
    indices: np.ndarray
    coords: np.ndarray

    def __post_init__(self) -> None:
        """Raise ValueError if this is not a sorted upper triangle with a full diagonal."""
        if self.indptr.shape != (self.n + 1,) or self.coords.shape != (self.n, 2):
            raise ValueError(
                f"pattern of {self.n} equations needs indptr ({self.n + 1},) and coords "
                f"({self.n}, 2), found {self.indptr.shape} and {self.coords.shape}"
            )
        if self.indptr[0] != 0 or self.indptr[-1] != self.indices.size:
            raise ValueError("indptr must run from 0 to the number of entries")
        row = first_bad_row(self.n, np.asarray(self.indptr), np.asarray(self.indices))
        if row >= 0:
            raise ValueError(
                f"row {row} of the pattern must start with its diagonal, then increasing columns"
            )

    @cached_property
    def columns(self) -> np.ndarray:
        """The column numbers as 32-bit integers, for loops limited by memory bandwidth."""
        return np.ascontiguousarray(self.indices, np.int32)

    @cached_property
    def threes(self) -> np.ndarray:
        """Mask of the first of three rows of one control point, see `first_of_three`."""
        return first_of_three(self.indptr, self.indices)

    @property
    def nnz(self) -> int:
        """Number of stored entries (upper triangle with diagonal)."""
        return int(self.indices.size)


class Factorisation(Protocol):
    """A symmetric, possibly indefinite matrix factored for repeated solution.

    `factor` takes the values in the order of the pattern and raises SingularMatrix on a
    breakdown; `solve` takes (n,) or (n, m), and the relative residual that is good enough.
    `negative_pivots` is the number of negative eigenvalues
    of the last matrix factored (Sylvester's law of inertia), None if it is not known.
    """

    name: str
    negative_pivots: int | None

    def factor(self, data: np.ndarray, changed: np.ndarray | None = None) -> None:
        """Factor the matrix with these values; `changed` (equations) is a hint for speed."""

    def solve(self, b: np.ndarray, goal: float = RESIDUAL_GOAL) -> np.ndarray:
        """Solve for one right-hand side (n,) or several (n, m)."""


@njit(cache=True)
def first_bad_row(n: int, indptr: np.ndarray, indices: np.ndarray) -> int:
    """Return the first row that is unsorted, has a column beyond n or no diagonal entry, or -1."""
    for i in range(n):
        if indptr[i + 1] <= indptr[i] or indices[indptr[i]] != i:
            return i
        for k in range(indptr[i] + 1, indptr[i + 1]):
            if indices[k] <= indices[k - 1] or indices[k] >= n:
                return i
    return -1


def checked_shape(pattern: Pattern, data: np.ndarray) -> np.ndarray:
    """Return the values as contiguous floats; ValueError on a wrong shape."""
    values = np.ascontiguousarray(data, dtype=np.float64)
    if values.shape != (pattern.nnz,):
        raise ValueError(f"expected values of shape ({pattern.nnz},), found {values.shape}")
    return values


def checked_values(pattern: Pattern, data: np.ndarray) -> np.ndarray:
    """Return the values as contiguous floats, checked for their length and for NaN or infinity.

    Raises ValueError on a wrong shape, SingularMatrix on NaN or infinity.
    """
    values = checked_shape(pattern, data)
    if not np.isfinite(values).all():
        raise SingularMatrix("the matrix holds values that are not finite")
    return values


def checked_right_side(pattern: Pattern, b: np.ndarray) -> np.ndarray:
    """Return b as a new Fortran-ordered (n, m) array of floats; ValueError on a wrong shape."""
    b = np.asarray(b, dtype=np.float64)
    if b.ndim not in (1, 2) or b.shape[0] != pattern.n:
        raise ValueError(f"expected a right-hand side of {pattern.n} rows, found {b.shape}")
    return np.array(b.reshape(pattern.n, -1), order="F")


def solve_refined(
    pattern: Pattern,
    data: np.ndarray,
    b: np.ndarray,
    apply_inverse: Callable[[np.ndarray], np.ndarray],
    goal: float = RESIDUAL_GOAL,
) -> np.ndarray:
    """Solve with a factorisation, then refine while the relative residual exceeds the goal.

    The residual is |b - A x| / |b| in the maximum norm, column by column. `apply_inverse`
    maps (n, m) to (n, m), both in Fortran order. A step that does not reduce the residual is
    dropped. Raises SingularMatrix if the residual stays above RESIDUAL_LIMIT.
    """
    right = checked_right_side(pattern, b)
    x = apply_inverse(right)
    for column in range(right.shape[1]):
        _, last = refine_column(pattern, data, right[:, column], x[:, column], apply_inverse, goal)
        trusted(last)
    return x.reshape(np.shape(b))


def trusted(residual: float) -> None:
    """Raise SingularMatrix for a relative residual above RESIDUAL_LIMIT."""
    if not residual <= RESIDUAL_LIMIT:
        raise SingularMatrix(f"the solution leaves a relative residual of {residual:.1e}")


def refine_column(
    pattern: Pattern,
    data: np.ndarray,
    b: np.ndarray,
    x: np.ndarray,
    apply_inverse: Callable[[np.ndarray], np.ndarray],
    goal: float = RESIDUAL_GOAL,
    aim: float | None = None,
) -> tuple[float, float]:
    """Refine x (n,) in place if its relative residual exceeds the goal, down to `aim` (or it).

    Returns the relative residuals before and after; for b = 0, where none is defined, infinity and
    zero.
    """
    scale = np.abs(b).max(initial=0.0)
    if scale == 0.0:
        return np.inf, 0.0
    residual, rest, trial = np.empty_like(b), np.empty_like(b), np.empty_like(b)
    args = (pattern.indptr, pattern.columns, pattern.threes, data)
    size = first = residual_one(*args, x, b, residual) / scale
    aim = goal if aim is None else aim
    for _ in range(MAX_REFINEMENTS if size > goal or np.isnan(size) else 0):
        if size <= aim:
            break
        trial[:] = x + apply_inverse(residual.reshape(-1, 1, order="F"))[:, 0]
        trial_size = residual_one(*args, trial, b, rest) / scale
        if not trial_size < size:
            break
        x[:], residual[:], size = trial, rest, trial_size
    return float(first), float(size)
