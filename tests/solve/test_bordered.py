"""A border of further unknowns beside a factored matrix. Truth: LAPACK on the whole."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp

from simkit.solve.linear import Pattern, make_solver
from simkit.solve.linear.bordered import Bordered

SIZE = 60


class Counting:
    """A solver of a chain of springs that counts the sides it is asked for."""

    def __init__(self, dense):
        upper = sp.csr_matrix(np.triu(dense))
        coords = np.column_stack([np.arange(SIZE), np.zeros(SIZE, int)])
        self.solver = make_solver(Pattern(SIZE, upper.indptr, upper.indices, coords))
        self.solver.factor(upper.data)
        self.sides = []

    def solve(self, b):
        self.sides.append(1 if b.ndim == 1 else b.shape[1])
        return self.solver.solve(b)


def chain(rng):
    """The stiffness of a chain of springs, both ends held."""
    stiff = rng.uniform(1.0, 2.0, SIZE + 1)
    return np.diag(stiff[:-1] + stiff[1:]) - np.diag(stiff[1:-1], 1) - np.diag(stiff[1:-1], -1)


def test_border_equals_the_whole_matrix():
    """The coupling goes through the factors once, every further solution has one side."""
    rng = np.random.default_rng(2)
    dense = chain(rng)
    coupling, own = rng.standard_normal((SIZE, 3)), np.diag([4.0, -3.0, 5.0])
    whole = np.block([[dense, coupling], [coupling.T, own]])
    solver = Counting(dense)
    border = Bordered(solver, coupling, own)
    for _ in range(3):
        b = rng.standard_normal(SIZE + 3)
        np.testing.assert_allclose(border.solve(b), np.linalg.solve(whole, b), rtol=1e-8)
    assert solver.sides == [4, 1, 1]


def test_no_border_is_the_solver_itself():
    """Without further unknowns nothing is added."""
    rng = np.random.default_rng(3)
    dense, b = chain(rng), rng.standard_normal(SIZE)
    border = Bordered(Counting(dense), np.empty((SIZE, 0)), np.empty((0, 0)))
    np.testing.assert_allclose(border.solve(b), np.linalg.solve(dense, b), rtol=1e-9)
