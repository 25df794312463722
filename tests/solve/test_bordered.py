"""A border of further unknowns beside a factored matrix. Truth: LAPACK on the whole."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
import scipy.sparse as sp

from simkit.solve.linear import Pattern, SingularMatrix, make_solver
from simkit.solve.linear.bordered import Bordered
from simkit.solve.linear.multifrontal import MultifrontalLDL

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "linear_solvers.py"
SPEC = importlib.util.spec_from_file_location("linear_solvers", SCRIPT)
bench = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(bench)
SIZE = 60


class Counting:
    """A solver of a chain of springs that counts the sides it is asked for."""

    def __init__(self, dense):
        upper = sp.csr_matrix(np.triu(dense))
        coords = np.column_stack([np.arange(SIZE), np.zeros(SIZE, int)])
        self.solver = make_solver(Pattern(SIZE, upper.indptr, upper.indices, coords))
        self.solver.factor(upper.data)
        self.sides = []

    def solve(self, b, goal=1e-10):
        self.sides.append(1 if b.ndim == 1 else b.shape[1])
        return self.solver.solve(b, goal)


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


@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("spread", [1, 40])
@pytest.mark.parametrize("q", [1, 5, 8])
def test_border_of_a_shell_is_solved_half_way(threads, spread, q):
    """Coupled in one place or all over, several stages of branches; also after new factors."""
    pattern, data = bench.upper_triangle(*bench.clamped(*bench.shallow_shell((40, 40), 2)))
    upper = sp.csr_matrix((data, pattern.indices, pattern.indptr), shape=(pattern.n,) * 2)
    matrix = upper + sp.triu(upper, 1).T
    rng, size = np.random.default_rng(5), np.abs(data).max()
    coupling = np.zeros((pattern.n, q))
    rows = np.arange(pattern.n // 2, pattern.n, spread)[:30]
    coupling[rows] = size * rng.standard_normal((rows.size, q))
    own = np.diag(size * np.linspace(40.0, 60.0, q) * (-1.0) ** np.arange(q))
    solver = make_solver(pattern, "multifrontal", threads)
    for factor in (1.0, 2.0):
        solver.factor(factor * data)
        border = Bordered(solver, coupling, own)
        whole = Bordered(Sides(solver), coupling, own)
        for _ in range(2):
            b = rng.standard_normal(pattern.n + q)
            z = border.solve(b)
            x, y = z[:pattern.n], z[pattern.n:]
            scale = np.abs(b).max()
            assert np.abs(factor * (matrix @ x) + coupling @ y - b[:pattern.n]).max() < 1e-9 * scale
            assert np.abs(coupling.T @ x + own @ y - b[pattern.n:]).max() < 1e-9 * scale
            np.testing.assert_allclose(z, whole.solve(b), rtol=1e-6, atol=1e-8 * np.abs(z).max())
            assert border._factor is not None  # or it was solved whole all the same


class Sides:
    """A solver of whole sides alone."""

    def __init__(self, solver):
        self.solve = solver.solve


def test_more_unknowns_than_lanes_go_through_whole():
    rng = np.random.default_rng(6)
    dense = chain(rng)
    coupling, own = rng.standard_normal((SIZE, 9)), np.diag(np.linspace(20.0, 30.0, 9))
    border = Bordered(Counting(dense).solver, coupling, own)
    assert border._factor is None
    b = rng.standard_normal(SIZE + 9)
    whole = np.block([[dense, coupling], [coupling.T, own]])
    np.testing.assert_allclose(border.solve(b), np.linalg.solve(whole, b), rtol=1e-8)


def test_a_wrong_border_is_not_believed():
    """The unknowns beside the matrix have equations of their own, which are looked at too."""
    rng = np.random.default_rng(7)
    coupling, own = rng.standard_normal((SIZE, 3)), np.diag([40.0, 50.0, 60.0])
    solver = Counting(chain(rng)).solver
    border = Bordered(solver, coupling, own)
    border._factor.inverse *= 1.5
    b = rng.standard_normal(SIZE + 3)
    _, _, off = solver.solve_bordered(b[:SIZE], b[SIZE:], border._factor)
    assert off > 1e-3
    assert border._factor.residual > 1e-3


def test_no_factors_no_border():
    solver = Counting(chain(np.random.default_rng(8))).solver
    border = Bordered(solver, np.ones((SIZE, 1)), np.eye(1))
    with pytest.raises(SingularMatrix):
        solver.factor(np.zeros(solver.pattern.nnz))
    with pytest.raises(SingularMatrix):
        border.solve(np.ones(SIZE + 1))
    with pytest.raises(SingularMatrix):
        Bordered(solver, np.ones((SIZE, 1)), np.eye(1))


def test_factors_that_need_refinement_have_their_border_refined():
    """A lifted pivot makes the factors wrong; the border's solution is right all the same."""
    dense = np.diag(np.full(6, 2.0)) + np.diag(np.full(5, -1.0), 1) + np.diag(np.full(5, -1.0), -1)
    dense[0, 0] = 0.0
    upper = sp.csr_matrix(np.triu(dense) + np.diag(np.full(6, 1e-300)))
    coords = np.column_stack([np.arange(6), np.zeros(6, int)])
    solver = MultifrontalLDL(Pattern(6, upper.indptr, upper.indices, coords), perturb=True)
    solver.factor(upper.data)
    assert solver.perturbed > 0
    coupling, own = np.ones((6, 2)) * [[1.0, 0.5]], np.diag([3.0, 4.0])
    b = np.arange(8.0)
    whole = np.block([[dense, coupling], [coupling.T, own]])
    x = Bordered(solver, coupling, own).solve(b)
    np.testing.assert_allclose(whole @ x, b, atol=1e-8)


def test_no_border_is_the_solver_itself():
    """Without further unknowns nothing is added."""
    rng = np.random.default_rng(3)
    dense, b = chain(rng), rng.standard_normal(SIZE)
    border = Bordered(Counting(dense), np.empty((SIZE, 0)), np.empty((0, 0)))
    np.testing.assert_allclose(border.solve(b), np.linalg.solve(dense, b), rtol=1e-9)
