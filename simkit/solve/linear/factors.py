"""The numbers of one factorisation L D L^T in one precision, and substitution through them."""

from __future__ import annotations

import numpy as np

from simkit.kernels.simd import LANES, aligned_of
from simkit.kernels.teamwork import Team
from simkit.solve.linear import kernels
from simkit.solve.linear.elimination import SCRATCH_FLOATS
from simkit.solve.linear.passage import Border, backward_stages, forward_stages
from simkit.solve.linear.pattern import SingularMatrix
from simkit.solve.linear.plan import Plan
from simkit.solve.linear.substitution_many import pack, unpack
from simkit.solve.linear.symbolic import Tree, eights

SINGLE, DOUBLE = np.float32, np.float64
NOT_FINITE = "the matrix holds values that are not finite"


class Numbers:
    """Room for the factors of matrices of one pattern in one precision.

    `d` (n,) are the pivots, `perturbed` the number of those that were perturbed, `recomputed` the
    supernodes that the last factorisation worked on. Right-hand sides and solutions are arrays of
    doubles, rounded on the way.
    """

    def __init__(
        self, tree: Tree, plan: Plan, team: Team, threads: int, precision: type[np.floating]
    ) -> None:
        self.precision = precision
        self._tree, self._plan, self._team = tree, plan, team
        self._n, self._supernodes = tree.order.size, tree.parent.size
        # kernels read the last 8 x 8 corner in full, also where it has fewer columns
        panel = aligned_of(precision, int(tree.panel_ptr[-1]) + LANES**2)
        panel[tree.panel_ptr[-1] :] = 0.0
        self._factors = kernels.Factors(
            panel, np.empty(self._n, precision),
            aligned_of(precision, plan.kept_size + threads * plan.stack_size),
            np.zeros(self._supernodes, np.int64))
        own = eights(tree.pivots)
        widest, longest = int((tree.rows * own).max(initial=8)), int(tree.rows.max(initial=8))
        floats = longest + 8 * int(own.max(initial=8)) + 64
        self._work = [
            kernels.Workspace(plan.places(t), aligned_of(precision, widest + 8),
                              aligned_of(precision, SCRATCH_FLOATS), aligned_of(precision, floats))
            for t in range(threads)]
        none = np.empty((0, 0), precision)
        self._no_border = Border(none, none, np.empty(0, precision))
        self._everything = np.ones(self._supernodes, np.bool_)
        self._eight: np.ndarray | None = None
        self.recomputed = self.perturbed = 0

    @property
    def d(self) -> np.ndarray:
        """The pivots (n,), in the order of elimination."""
        return self._factors.d

    def eliminate(self, data: np.ndarray, todo: np.ndarray | None = None,
                  new: kernels.NewValues | None = None, perturb: bool = False) -> None:
        """Factor the supernodes of the mask `todo` (None: all), or those with `new` values, which
        are copied to `data` first. Raises SingularMatrix."""
        tree, plan, bad = self._tree, self._plan, np.full(1, -1)
        todo = self._everything.copy() if todo is None else todo
        given = new or kernels.NewValues(data[:0], np.empty(0, np.int32))
        self._team.run(plan.stage_ptr.size, lambda board, thread: kernels.factor_stages(
            board, plan, tree, todo, bad, given, data, self._factors, self._work[thread], perturb))
        if bad[0] == self._n:
            raise SingularMatrix(NOT_FINITE)
        if bad[0] >= 0:
            raise SingularMatrix(f"no usable pivot in equation {int(tree.order[bad[0]])}")
        self.recomputed = int(np.count_nonzero(todo))
        self.perturbed = int(self._factors.perturbed.sum())

    def through_one(self, b: np.ndarray, border: Border | None = None) -> np.ndarray:
        """Return the solution of the factored system for b (n,), with a border or without."""
        order = self._tree.order
        ordered = aligned_of(self.precision, self._n + self._plan.merge_to.size)
        ordered[: self._n] = b[order]
        self._through(ordered, border or self._no_border)
        x = np.empty_like(b)
        x[order] = ordered[: self._n]
        return x

    def through_eight(self, b: np.ndarray, x: np.ndarray) -> None:
        """Set x (n, 8) to the solution of the factored system for b (n, 8), both row-major."""
        if self._eight is None:
            rows = self._n + self._plan.merge_to.size
            self._eight = aligned_of(self.precision, LANES * rows).reshape(-1, LANES)
        pack(b, self._tree.order, self._eight)
        self._through(self._eight, self._no_border)
        unpack(self._eight, self._tree.order, x)

    def forward_of_border(self, coupling: np.ndarray) -> np.ndarray:
        """Return L^-1 C (n, 8) in the order of elimination for C (n, q), through the supernodes
        that hold its nonzero rows and those above them only."""
        tree, plan = self._tree, self._plan
        rows = np.flatnonzero(coupling.any(axis=1))
        places = tree.position[rows]
        z = aligned_of(self.precision, LANES * (self._n + plan.merge_to.size)).reshape(-1, LANES)
        z[:] = 0.0
        z[places, : coupling.shape[1]] = coupling[rows]
        todo = np.zeros(self._supernodes, np.bool_)
        todo[np.searchsorted(tree.first, places, side="right") - 1] = True
        kernels.mark_above(tree.parent, todo)
        self._team.run(plan.stage_ptr.size - 1,
                       lambda board, thread: self._forward(board, thread, z, todo,
                                                           self._no_border))
        return z[: self._n]

    def _through(self, x: np.ndarray, border: Border) -> None:
        """Apply the inverse of L D L^T in place to x, in the order of elimination.

        x (n + places,) is one right-hand side, x (n + places, 8) eight; the rows after the first n
        are the places of `plan.Plan`. A border is possible with one right-hand side only.
        """
        x[self._n :] = 0.0

        def job(board: np.ndarray, thread: int) -> None:
            self._forward(board, thread, x, self._everything, border)
            backward_stages(board, x, self._plan, self._tree, self._factors,
                            self._work[thread].side)

        self._team.run(2 * (self._plan.stage_ptr.size - 1), job)

    def _forward(self, board: np.ndarray, thread: int, x: np.ndarray, todo: np.ndarray,
                 border: Border) -> None:
        forward_stages(board, x, todo, self._plan, self._tree, self._factors,
                       self._work[thread].side, border)
