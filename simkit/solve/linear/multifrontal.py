"""Sparse multifrontal LDL^T for grids: nested dissection, dense fronts, partial refactorisation.

Only the branches of the elimination tree whose matrix values changed are factored again. Factors
have single precision: half the memory and half the work of double. Residuals are computed in double
precision, and iterative refinement brings a solution to the goal asked for (Wilkinson 1963,
Langou et al. 2006; MEMORY). Where it does not, the matrix is factored in double precision.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.kernels.simd import LANES, aligned
from simkit.kernels.teamwork import Team
from simkit.solve.linear import kernels
from simkit.solve.linear.factors import DOUBLE, NOT_FINITE, SINGLE, Numbers
from simkit.solve.linear.passage import Border
from simkit.solve.linear.pattern import (
    MAX_REFINEMENTS,
    RESIDUAL_GOAL,
    Pattern,
    SingularMatrix,
    checked_right_side,
    checked_shape,
    refine_column,
    trusted,
)
from simkit.solve.linear.plan import make_plan
from simkit.solve.linear.residual import residual_eight, residual_one
from simkit.solve.linear.symbolic import analyse

LEAF_EQUATIONS = 60  # supernodes with at most so many equations are not divided further
# residuals to which solutions by factors of single precision are refined, once they have to be:
# what double leaves, and enough for a correction
REFINED_RESIDUAL, REFINED_CORRECTION = 1e-13, 1e-8
KEPT_WORK_SHARE = 1.0 / 64.0  # a branch with more than this share of all work keeps its update


@dataclass
class BorderFactor:
    """A border C, S of a factored matrix after forward substitution.

    z (n, 8) is L^-1 C in the order of elimination, with zeros after the columns of C; `inverse`
    (8, 8) is (S - C^T K^-1 C)^-1; `residual` is the relative residual of a first solution with
    this border before refinement, infinite while it is not known.
    """

    z: np.ndarray
    inverse: np.ndarray
    coupling: np.ndarray
    own: np.ndarray
    residual: float = np.inf


class MultifrontalLDL:
    """LDL^T with pivots on the diagonal only (1 x 1, no exchange), on one or more threads.

    A pivot below 1e-13 of its supernode's largest value raises SingularMatrix. With `perturb` it is
    set to 1e-8 of that value instead and counted in `perturbed`; iterative refinement then corrects
    the solution. `recomputed` is the number of supernodes that the last factorisation worked on,
    out of `supernodes`. Factors have double precision with `perturb`, and from the first matrix on
    for which single precision was not enough and double was. An object may be used by one caller at
    a time. The same values give the same bits on every run and for any number of threads.
    """

    name = "multifrontal"

    def __init__(
        self, pattern: Pattern, threads: int = 1, perturb: bool = False, leaf: int = LEAF_EQUATIONS
    ) -> None:
        self.pattern = pattern
        self.perturb = perturb
        self.negative_pivots: int | None = None
        self._tree = tree = analyse(pattern, leaf)
        self._plan = make_plan(tree, KEPT_WORK_SHARE)
        self.supernodes = tree.parent.size
        self._threads, self._team = threads, Team(threads)
        self._data = np.empty(pattern.nnz)
        self._supernode_of = kernels.supernode_of_values(tree.entry_ptr, tree.entry_from)
        self._eight: tuple[np.ndarray, ...] | None = None  # arrays for eight right-hand sides
        self._change_to(DOUBLE if perturb else SINGLE)

    def _change_to(self, precision: type[np.floating]) -> None:
        """Make room for factors of this precision; there are none then."""
        self._numbers = Numbers(self._tree, self._plan, self._team, self._threads, precision)
        self._ready = False
        self._residual = np.inf  # relative residual of a first solution with these factors

    @property
    def precision(self) -> type[np.floating]:
        """Precision of the factors."""
        return self._numbers.precision

    @property
    def perturbed(self) -> int:
        """Number of perturbed pivots."""
        return self._numbers.perturbed

    @property
    def recomputed(self) -> int:
        """Number of supernodes on which the last factorisation worked."""
        return self._numbers.recomputed

    def factor(self, data: np.ndarray, changed: np.ndarray | None = None) -> None:
        """Factor the matrix with these values (order of the pattern).

        After a first factorisation only branches with new values are factored again; the result
        is bit for bit that of a full factorisation. `changed` (equations) lists the equations of
        all changed entries, both rows and columns; without it the values are compared with the
        last ones. Raises SingularMatrix.
        """
        fresh = not self._ready
        self._ready, self.negative_pivots = False, None  # until the factorisation has succeeded
        values = checked_shape(self.pattern, data)
        tree, plan = self._tree, self._plan
        todo, new = np.zeros(self.supernodes, np.bool_), values
        if fresh or changed is not None:
            np.copyto(self._data, values)
            if not np.isfinite(values).all():
                raise SingularMatrix(NOT_FINITE)
            moved = np.zeros(self.pattern.n, np.bool_)
            moved[slice(None) if fresh else changed] = True
            todo[:] = np.logical_or.reduceat(moved[tree.order], tree.first[:-1])
            kernels.reach_supernodes(tree.parent, plan.kept_ancestor, todo)
            new = values[:0]
        try:
            self._numbers.eliminate(self._data, todo,
                                    kernels.NewValues(new, self._supernode_of), self.perturb)
        except SingularMatrix:
            if self.precision is DOUBLE or not np.isfinite(self._data).all():
                raise
            self._factor_in_double()
        self._note_factors()

    def _note_factors(self) -> None:
        """The factors are there, and nothing is known yet of solutions with them."""
        self._ready, self._residual = True, np.inf
        self.negative_pivots = int(np.count_nonzero(self._numbers.d < 0.0))

    def _factor_in_double(self) -> None:
        """Factor the present matrix in double precision; back to single if that fails too."""
        self._change_to(DOUBLE)
        try:
            self._numbers.eliminate(self._data)
        except SingularMatrix:
            self._change_to(SINGLE)
            raise

    def solve(self, b: np.ndarray, goal: float = RESIDUAL_GOAL) -> np.ndarray:
        """Solve for b (n,) or (n, m), refined where the relative residual exceeds the goal.

        Once a solution with unperturbed pivots has met the goal without refinement, the residual
        of further solutions with these factors is not computed; they are only checked to be finite.
        Raises SingularMatrix if there is no factorisation, if refinement fails or if a solution is
        not finite.
        """
        self._need_factors()
        right = checked_right_side(self.pattern, b)
        if not np.isfinite(right.sum()):
            raise SingularMatrix("the right-hand side is not finite")
        x = np.empty_like(right, order="F")
        if not self._solve_all(right, x, goal):
            self._factor_in_double()
            self._note_factors()
            try:
                self._solve_all(right, x, goal)
            except SingularMatrix:
                self._change_to(SINGLE)
                raise
        if not np.isfinite(x.sum()):
            raise SingularMatrix("the solution is not finite")
        return x.reshape(np.shape(b))

    def _need_factors(self) -> None:
        if not self._ready:
            raise SingularMatrix("there is no factorisation to solve with")

    def _solve_all(self, right: np.ndarray, x: np.ndarray, goal: float) -> bool:
        """Solve for all sides; False if single precision is not enough for this goal."""
        for low in range(0, right.shape[1], LANES):
            part = slice(low, low + LANES)
            if right[:, part].shape[1] > 1:
                if not self._solve_several(right[:, part], x[:, part], goal):
                    return False
            else:
                x[:, low] = self._numbers.through_one(right[:, low])
                if not (self._proven(self._residual, goal)
                        or self._refined(right[:, low], x[:, low], goal)):
                    return False
        return True

    def _solve_several(self, right: np.ndarray, x: np.ndarray, goal: float) -> bool:
        """Solve for up to eight right-hand sides (n, m), refined together; as `_solve_all`."""
        many = right.shape[1]
        if self._eight is None:
            self._eight = tuple(aligned(LANES * self.pattern.n).reshape(-1, LANES)
                                for _ in range(4))
        b, solved, more, residual = self._eight
        b[:, :many], b[:, many:] = right, 0.0
        self._numbers.through_eight(b, solved)
        sizes, scales, enough = np.zeros(LANES), np.zeros(LANES), goal
        for k in range(0 if self._proven(self._residual, goal) else MAX_REFINEMENTS + 1):
            residual_eight(self.pattern.indptr, self.pattern.columns, self.pattern.threes,
                           self._data, solved, b, residual, sizes, scales)
            if k == 0 and scales.max() > 0.0:  # a right-hand side of zeros tells nothing
                self._note_residual(float((sizes / np.maximum(scales, 1e-300)).max()))
            aim, enough = (goal, goal) if k == 0 else (self._aim(goal), self._enough(goal))
            if k == MAX_REFINEMENTS or (sizes <= aim * scales).all():
                break
            self._numbers.through_eight(residual, more)
            solved += more
        x[:] = solved[:, :many]
        columns = np.flatnonzero(~(sizes <= enough * scales)[:many])
        return all(self._refined(right[:, k], x[:, k], goal) for k in columns)

    def _proven(self, residual: float, goal: float) -> bool:
        """Whether the residual of a first solution says enough of the others with these factors.

        In single precision it does not: what rounding leaves depends on how far the right-hand side
        moves the soft modes of the matrix.
        """
        return self.precision is DOUBLE and residual <= goal

    def _aim(self, goal: float) -> float:
        """Residual to which a solution is refined that does not meet the goal by itself."""
        if self.precision is DOUBLE:
            return goal
        return REFINED_RESIDUAL if goal <= RESIDUAL_GOAL else min(goal, REFINED_CORRECTION)

    def _enough(self, goal: float) -> float:
        """Largest residual of a refined solution that is accepted for a goal."""
        return max(self._aim(goal), min(goal, RESIDUAL_GOAL))

    def _note_residual(self, size: float) -> None:
        """Record the relative residual of a solution before any refinement."""
        self._residual = size if self.perturbed == 0 else np.inf

    def _refined(self, right: np.ndarray, x: np.ndarray, goal: float) -> bool:
        """Refine x (n,) if its residual is too large; as `_solve_all`."""
        first, last = refine_column(
            self.pattern, self._data, right, x,
            lambda rest: self._numbers.through_one(rest[:, 0])[:, None], goal, self._aim(goal))
        self._note_residual(first)
        if self.precision is SINGLE:
            return first <= goal or last <= self._enough(goal)
        trusted(last)
        return True

    def prepare_border(self, coupling: np.ndarray, own: np.ndarray) -> BorderFactor:
        """Prepare for solutions of [[K, C], [C^T, S]] with the present factors of K.

        C (n, q), S (q, q) symmetric, q at most eight. Raises SingularMatrix if the bordered matrix
        has no inverse.
        """
        self._need_factors()
        q = own.shape[0]
        z = self._numbers.forward_of_border(coupling)
        inverse, exact = np.zeros((LANES, LANES), self.precision), z[:, :q].astype(DOUBLE)
        try:
            inverse[:q, :q] = np.linalg.inv(own - exact.T @ (exact / self._numbers.d[:, None]))
        except np.linalg.LinAlgError as error:
            raise SingularMatrix("the matrix with its border is singular") from error
        return BorderFactor(z, inverse, coupling, own)

    def solve_bordered(
        self, b: np.ndarray, rest: np.ndarray, border: BorderFactor, goal: float = RESIDUAL_GOAL
    ) -> tuple[np.ndarray, np.ndarray, float]:
        """Solve for b (n,) and the right-hand side `rest` (q,) of the border's unknowns.

        Returns both solutions and the largest residual over the largest value of both right-hand
        sides, refined if it exceeds the goal, infinite if that was not enough; zero once these
        factors and this border have met the goal by themselves.
        """
        self._need_factors()
        x, y = self._through_border(b, rest, border)
        if self._proven(border.residual, goal) and np.isfinite(x.sum()):
            return x, y, 0.0
        scale = max(float(np.abs(b).max(initial=0.0)), float(np.abs(rest).max(initial=0.0)), 1e-300)
        left, own, size = self._left_over(b, rest, border, x, y)
        if self.perturbed == 0 and scale > 1e-300:
            border.residual = size / scale
        if size <= goal * scale:
            return x, y, size / scale
        for _ in range(MAX_REFINEMENTS):
            dx, dy = self._through_border(left, own, border)
            left, own, after = self._left_over(b, rest, border, x + dx, y + dy)
            if not after < size:
                break
            x, y, size = x + dx, y + dy, after
            if size <= self._aim(goal) * scale:
                break
        return x, y, size / scale if size <= self._enough(goal) * scale else np.inf

    def _left_over(
        self, b: np.ndarray, rest: np.ndarray, border: BorderFactor, x: np.ndarray, y: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, float]:
        """Residuals of a solution with a border, and the largest of them."""
        left, coupling = np.empty_like(b), border.coupling
        largest = residual_one(self.pattern.indptr, self.pattern.columns, self.pattern.threes,
                               self._data, x, b - coupling @ y, left)
        own = rest - coupling.T @ x - border.own @ y
        return left, own, max(largest, float(np.abs(own).max(initial=0.0)))

    def _through_border(
        self, b: np.ndarray, rest: np.ndarray, border: BorderFactor
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the solution of the factored system with its border, not refined."""
        y = np.zeros(LANES, self.precision)
        y[: rest.size] = rest
        x = self._numbers.through_one(b, Border(border.z, border.inverse, y))
        return x, y[: rest.size].astype(DOUBLE)
