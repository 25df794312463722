"""GMRES on the factors of a matrix nearby. Truth: LAPACK, and residuals formed by scipy."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.sparse as sp

from simkit.solve.linear import Pattern, make_solver
from simkit.solve.linear.near import solve_near, symmetric_product


def chain(n: int, stiff: np.ndarray) -> tuple[Pattern, np.ndarray, np.ndarray]:
    """A chain of springs of these stiffnesses, both ends held: pattern, values, dense matrix."""
    dense = np.diag(stiff[:-1] + stiff[1:]) - np.diag(stiff[1:-1], 1) - np.diag(stiff[1:-1], -1)
    upper = sp.csr_matrix(np.triu(dense))
    coords = np.column_stack([np.arange(n), np.zeros(n, int)])
    return Pattern(n, upper.indptr, upper.indices, coords), upper.data, dense


@pytest.fixture
def pair():
    """A chain and the same with a third of its springs softened; a right side."""
    rng = np.random.default_rng(1)
    stiff = rng.uniform(1.0, 2.0, 61)
    soft = np.where(np.arange(61) % 3 == 0, rng.uniform(0.3, 1.0, 61), 1.0) * stiff
    return chain(60, stiff), chain(60, soft), rng.standard_normal(60)


def test_product_equals_the_dense_one(pair):
    """Truth: numpy's dense product."""
    (pattern, data, dense), _, b = pair
    np.testing.assert_allclose(symmetric_product(pattern, data, b), dense @ b, rtol=1e-13)


def test_own_factors_need_one_iteration(pair):
    """Preconditioned by its own inverse, a system is solved at once. Truth: LAPACK."""
    (pattern, data, dense), _, b = pair
    solver = make_solver(pattern)
    solver.factor(data)
    found = solve_near(lambda x: symmetric_product(pattern, data, x), solver.solve, b, 1e-10, 5)
    assert found.iterations == 1
    np.testing.assert_allclose(found.x, np.linalg.solve(dense, b), rtol=1e-9)


@pytest.mark.parametrize("goal", [0.1, 1e-3, 1e-8])
def test_the_share_left_is_the_true_one(pair, goal):
    """Old factors, new matrix: the residual, formed afresh, is what is said and within the goal."""
    (pattern, old, _), (_, new, dense), b = pair
    solver = make_solver(pattern)
    solver.factor(old)
    found = solve_near(lambda x: symmetric_product(pattern, new, x), solver.solve, b, goal, 60)
    left = np.linalg.norm(b - dense @ found.x) / np.linalg.norm(b)
    assert left <= goal
    assert found.left == pytest.approx(left, rel=1e-4)
    assert 1 < found.iterations < 60


def test_too_few_iterations_say_so(pair):
    """Two iterations do not reach 1e-8; what is left is told, and more iterations leave less."""
    (pattern, old, _), (_, new, dense), b = pair
    solver = make_solver(pattern)
    solver.factor(old)
    left = []
    for most in (1, 2, 3):
        found = solve_near(lambda x: symmetric_product(pattern, new, x), solver.solve, b, 1e-8,
                           most)
        assert found.iterations == most
        assert found.left == pytest.approx(
            np.linalg.norm(b - dense @ found.x) / np.linalg.norm(b), rel=1e-6)
        left.append(found.left)
    assert left[0] > left[1] > left[2] > 1e-8


def test_nothing_asked_nothing_done(pair):
    """A zero right side has a zero solution."""
    (pattern, data, _), _, b = pair
    found = solve_near(lambda x: symmetric_product(pattern, data, x), lambda r: r, 0.0 * b, 1e-9, 3)
    assert found.iterations == 0
    assert not found.x.any()
    assert found.left == 0.0
