"""Sparse multifrontal LDL^T for grids: nested dissection, dense fronts, partial refactorisation.

Only the branches of the elimination tree whose matrix values changed are factored again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.kernels.simd import LANES, aligned
from simkit.kernels.teamwork import Team
from simkit.solve.linear import kernels
from simkit.solve.linear.elimination import SCRATCH_FLOATS
from simkit.solve.linear.passage import Border, backward_stages, forward_stages
from simkit.solve.linear.pattern import (
    RESIDUAL_GOAL,
    Pattern,
    SingularMatrix,
    checked_right_side,
    checked_shape,
    refine_column,
)
from simkit.solve.linear.plan import make_plan
from simkit.solve.linear.residual import residual_eight, residual_one
from simkit.solve.linear.substitution_many import pack, unpack
from simkit.solve.linear.symbolic import analyse, eights

LEAF_EQUATIONS = 60  # supernodes with at most so many equations are not divided further
KEPT_WORK_SHARE = 1.0 / 64.0  # a branch with more than this share of all work keeps its update
NOT_FINITE = "the matrix holds values that are not finite"
NO_BORDER = Border(np.empty((0, 0)), np.empty((0, 0)), np.empty(0))


@dataclass
class BorderFactor:
    """A border C, S of a factored matrix after forward substitution.

    z (n, 8) is L^-1 C in the order of elimination, with zeros after the columns of C; `inverse`
    (8, 8) is (S - C^T K^-1 C)^-1; `residual_met` tells whether a solution with this border reached
    RESIDUAL_GOAL.
    """

    z: np.ndarray
    inverse: np.ndarray
    coupling: np.ndarray
    own: np.ndarray
    residual_met: bool = False


class MultifrontalLDL:
    """LDL^T with pivots on the diagonal only (1 x 1, no exchange), on one or more threads.

    A pivot below 1e-13 of its supernode's largest value raises SingularMatrix. With `perturb` it is
    set to 1e-8 of that value instead and counted in `perturbed`; iterative refinement then corrects
    the solution. `recomputed` is the number of supernodes that the last factorisation worked on,
    out of `supernodes`. An object may be used by one caller at a time. The same values give the
    same bits on every run and for any number of threads.
    """

    name = "multifrontal"

    def __init__(
        self, pattern: Pattern, threads: int = 1, perturb: bool = False, leaf: int = LEAF_EQUATIONS
    ) -> None:
        self.pattern = pattern
        self.perturb = perturb
        self.perturbed = 0
        self.recomputed = 0
        self.negative_pivots: int | None = None
        self._tree = tree = analyse(pattern, leaf)
        self._plan = make_plan(tree, KEPT_WORK_SHARE)
        self.supernodes = tree.parent.size
        # kernels read the last 8 x 8 corner in full, also where it has fewer columns
        panel = aligned(int(tree.panel_ptr[-1]) + LANES**2)
        panel[tree.panel_ptr[-1] :] = 0.0
        self._factors = kernels.Factors(
            panel, np.empty(pattern.n),
            aligned(self._plan.kept_size + threads * self._plan.stack_size),
            np.zeros(self.supernodes, np.int64))
        own = eights(tree.pivots)
        widest, longest = int((tree.rows * own).max(initial=8)), int(tree.rows.max(initial=8))
        floats = longest + 8 * int(own.max(initial=8)) + 64
        self._work = [
            kernels.Workspace(self._plan.places(t), aligned(widest + 8), aligned(SCRATCH_FLOATS),
                              aligned(floats)) for t in range(threads)]
        self._team = Team(threads)
        self._data = np.empty(pattern.nnz)
        self._supernode_of = kernels.supernode_of_values(tree.entry_ptr, tree.entry_from)
        self._eight: tuple[np.ndarray, ...] | None = None  # arrays for eight right-hand sides
        self._ready = False
        self._residual_met = False  # True once a solution with these factors needed no refinement

    def factor(self, data: np.ndarray, changed: np.ndarray | None = None) -> None:
        """Factor the matrix with these values (order of the pattern).

        After a first factorisation only branches with new values are factored again; the result
        is bit for bit that of a full factorisation. `changed` (equations) lists the equations of
        all changed entries, both rows and columns; without it the values are compared with the
        last ones. Raises SingularMatrix.
        """
        fresh = not self._ready
        self._ready, self.negative_pivots = False, None  # until the factorisation has succeeded
        self._residual_met = False
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
        bad = np.full(1, -1)
        given = kernels.NewValues(new, self._supernode_of)
        self._team.run(plan.stage_ptr.size, lambda board, thread: kernels.factor_stages(
            board, plan, tree, todo, bad, given, self._data, self._factors, self._work[thread],
            self.perturb))
        if bad[0] == self.pattern.n:
            raise SingularMatrix(NOT_FINITE)
        if bad[0] >= 0:
            raise SingularMatrix(f"no usable pivot in equation {int(tree.order[bad[0]])}")
        self._ready = True
        self.recomputed = int(np.count_nonzero(todo))
        self.perturbed = int(self._factors.perturbed.sum())
        self.negative_pivots = int(np.count_nonzero(self._factors.d < 0.0))

    def solve(self, b: np.ndarray) -> np.ndarray:
        """Solve for b (n,) or (n, m), refined where the relative residual exceeds 1e-10.

        Once a solution with unperturbed pivots has met this limit without refinement, the residual
        of further solutions with these factors is not computed; they are only checked to be finite.
        Raises SingularMatrix if there is no factorisation, if refinement fails or if a solution is
        not finite.
        """
        self._need_factors()
        right = checked_right_side(self.pattern, b)
        x = np.empty_like(right, order="F")
        for low in range(0, right.shape[1], LANES):
            part = slice(low, low + LANES)
            if right[:, part].shape[1] > 1:
                self._solve_several(right[:, part], x[:, part])
            else:
                x[:, low] = self._through_one(right[:, low])
                if not self._residual_met:
                    self._note_residual(self._refined(right[:, low], x[:, low]))
        if not np.isfinite(x.sum()):
            raise SingularMatrix("the solution is not finite")
        return x.reshape(np.shape(b))

    def _need_factors(self) -> None:
        if not self._ready:
            raise SingularMatrix("there is no factorisation to solve with")

    def _solve_several(self, right: np.ndarray, x: np.ndarray) -> None:
        """Solve for up to eight right-hand sides (n, m) at once; refine those that need it."""
        if self._eight is None:
            n = self.pattern.n
            rows = (n, n, n, n + self._plan.merge_to.size)
            self._eight = tuple(aligned(LANES * size).reshape(-1, LANES) for size in rows)
        b, solved, residual, ordered = self._eight
        order = self._tree.order
        pack(right.T, order, b, ordered)
        self._through_all(ordered)
        unpack(ordered, order, solved, x.T)
        sizes, scales = np.empty(LANES), np.empty(LANES)
        if self._residual_met:
            return
        residual_eight(self.pattern.indptr, self.pattern.columns, self.pattern.threes, self._data,
                       solved, b, residual, sizes, scales)
        good = sizes <= RESIDUAL_GOAL * scales
        for column in np.flatnonzero(~good[: right.shape[1]]):
            self._refined(right[:, column], x[:, column])
        if good.all() and scales.max() > 0.0:  # a right-hand side of zeros tells nothing
            self._note_residual(float((sizes / np.maximum(scales, 1e-300)).max()))

    def _note_residual(self, size: float) -> None:
        """Record the relative residual of a solution before any refinement."""
        self._residual_met = size <= RESIDUAL_GOAL and self.perturbed == 0

    def _refined(self, right: np.ndarray, x: np.ndarray) -> float:
        """Refine x (n,) if its residual is too large; return the residual before refinement."""
        return refine_column(self.pattern, self._data, right, x, self._again)

    def prepare_border(self, coupling: np.ndarray, own: np.ndarray) -> BorderFactor:
        """Prepare for solutions of [[K, C], [C^T, S]] with the present factors of K.

        C (n, q), S (q, q) symmetric, q at most eight. Forward substitution of C runs only through
        the supernodes that hold its nonzero rows and those above them. Raises SingularMatrix if the
        bordered matrix has no inverse.
        """
        self._need_factors()
        tree, plan, n, q = self._tree, self._plan, self.pattern.n, own.shape[0]
        rows = np.flatnonzero(coupling.any(axis=1))
        places = tree.position[rows]
        z = aligned(LANES * (n + plan.merge_to.size)).reshape(-1, LANES)
        z[:] = 0.0
        z[places, :q] = coupling[rows]
        todo = np.zeros(self.supernodes, np.bool_)
        todo[np.searchsorted(tree.first, places, side="right") - 1] = True
        kernels.mark_above(tree.parent, todo)
        self._team.run(plan.stage_ptr.size - 1,
                       lambda board, thread: self._forward(board, thread, z, todo))
        inverse = np.zeros((LANES, LANES))
        schur = own - z[:n, :q].T @ (z[:n, :q] / self._factors.d[:, None])
        try:
            inverse[:q, :q] = np.linalg.inv(schur)
        except np.linalg.LinAlgError as error:
            raise SingularMatrix("the matrix with its border is singular") from error
        return BorderFactor(z[:n], inverse, coupling, own)

    def solve_bordered(
        self, b: np.ndarray, rest: np.ndarray, border: BorderFactor
    ) -> tuple[np.ndarray, np.ndarray, float]:
        """Solve for b (n,) and the right-hand side `rest` (q,) of the border's unknowns.

        Returns both solutions and the largest residual over the largest value of both right-hand
        sides; zero once these factors and this border have met RESIDUAL_GOAL. Nothing is refined.
        """
        self._need_factors()
        y = np.zeros(LANES)
        y[: rest.size] = rest
        x = self._through_one(b, Border(border.z, border.inverse, y))
        y = y[: rest.size]
        if border.residual_met and np.isfinite(x.sum()):
            return x, y, 0.0
        left = np.empty_like(b)
        coupling = border.coupling
        size = max(residual_one(self.pattern.indptr, self.pattern.columns, self.pattern.threes,
                                self._data, x, b - coupling @ y, left),
                   float(np.abs(rest - coupling.T @ x - border.own @ y).max(initial=0.0)))
        scale = max(float(np.abs(b).max(initial=0.0)), float(np.abs(rest).max(initial=0.0)))
        border.residual_met = self.perturbed == 0 and scale > 0.0 and size <= RESIDUAL_GOAL * scale
        return x, y, size / max(scale, 1e-300)

    def _through_one(self, b: np.ndarray, border: Border = NO_BORDER) -> np.ndarray:
        """Return the solution of the factored system for b (n,), with a border or without."""
        order = self._tree.order
        ordered = aligned(order.size + self._plan.merge_to.size)
        np.take(b, order, out=ordered[: order.size])
        self._through_all(ordered, border)
        x = np.empty_like(b)
        x[order] = ordered[: order.size]
        return x

    def _again(self, residual: np.ndarray) -> np.ndarray:
        """Return the correction (n, 1) for a residual (n, 1)."""
        return self._through_one(residual[:, 0])[:, None]

    def _through_all(self, x: np.ndarray, border: Border = NO_BORDER) -> None:
        """Apply the inverse of L D L^T in place to x, in the order of elimination.

        x (n + places,) is one right-hand side, x (n + places, 8) eight; the rows after the first n
        are the places of `plan.Plan`. A border is possible with one right-hand side only.
        """
        x[self.pattern.n :] = 0.0
        todo = np.ones(self.supernodes, np.bool_)

        def job(board: np.ndarray, thread: int) -> None:
            self._forward(board, thread, x, todo, border)
            backward_stages(board, x, self._plan, self._tree, self._factors,
                            self._work[thread].side)

        self._team.run(2 * (self._plan.stage_ptr.size - 1), job)

    def _forward(self, board: np.ndarray, thread: int, x: np.ndarray, todo: np.ndarray,
                 border: Border = NO_BORDER) -> None:
        forward_stages(board, x, todo, self._plan, self._tree, self._factors,
                       self._work[thread].side, border)
