"""The bicubic least-squares spline against scipy's B-splines, quadrature and least squares."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import BSpline

from simkit.scan.tensor import TensorSpline, equations, even_knots, open_knots, penalty

KNOTS_X = open_knots(np.array([0.0, 1.0, 2.5, 3.0, 4.0]))
KNOTS_Y = even_knots(0.0, 5.0, 1.0)
RNG = np.random.default_rng(0)
COEFFICIENTS = RNG.normal(size=(len(KNOTS_X) - 4, len(KNOTS_Y) - 4))
X, Y = RNG.uniform(0.0, 4.0, 300), RNG.uniform(0.0, 5.0, 300)


def functions(t, knots, order=0):
    """Values (n, k) of all B-splines or their derivatives, by scipy."""
    every = np.eye(len(knots) - 4)
    return np.column_stack([
        (BSpline(knots, c, 3).derivative(order) if order else BSpline(knots, c, 3))(t)
        for c in every])


def test_values_and_slopes_are_those_of_scipy():
    spline = TensorSpline(KNOTS_X, KNOTS_Y, COEFFICIENTS)
    value, by_x, by_y = spline.gradient(X, Y)
    for got, orders in ((value, (0, 0)), (by_x, (1, 0)), (by_y, (0, 1))):
        wanted = np.einsum("ni,nj,ij->n", functions(X, KNOTS_X, orders[0]),
                           functions(Y, KNOTS_Y, orders[1]), COEFFICIENTS)
        np.testing.assert_allclose(got, wanted, atol=1e-12)
    np.testing.assert_array_equal(spline(X, Y), value)


@pytest.mark.parametrize("order", [2, 3])
def test_the_penalty_is_the_integral_it_says(order):
    """Gauss quadrature over every element, derivatives by scipy."""
    nodes, weights = np.polynomial.legendre.leggauss(5)
    points = []
    for knots in (KNOTS_X, KNOTS_Y):
        breaks = np.unique(knots)
        middle, half = 0.5 * (breaks[1:] + breaks[:-1]), 0.5 * np.diff(breaks)
        points.append(((middle[:, None] + half[:, None] * nodes).ravel(),
                       (half[:, None] * weights).ravel()))

    def integral(i, j):
        f = functions(points[0][0], KNOTS_X, i) @ COEFFICIENTS @ functions(
            points[1][0], KNOTS_Y, j).T
        return points[0][1] @ f**2 @ points[1][1]

    wanted = integral(order, 0) + integral(0, order)
    wanted += 2.0 * integral(1, 1) if order == 2 else 0.0
    stencil = penalty(KNOTS_X, KNOTS_Y, order)
    padded = np.pad(COEFFICIENTS, 3)
    nx, ny = COEFFICIENTS.shape
    got = sum(COEFFICIENTS[i, j] * (stencil[i, j] * padded[i: i + 7, j: j + 7]).sum()
              for i in range(nx) for j in range(ny))
    assert got == pytest.approx(wanted, rel=1e-10)


def test_the_fit_is_that_of_plain_least_squares():
    """With further functions and without a penalty: numpy's lstsq on the same columns."""
    z, w = RNG.normal(size=300), RNG.uniform(0.5, 2.0, 300)
    more = np.column_stack([np.sin(9.0 * X), np.sign(Y - 2.2)])
    columns = np.einsum("ni,nj->nij", functions(X, KNOTS_X), functions(Y, KNOTS_Y))
    every = np.column_stack([columns.reshape(300, -1), more])
    root = np.sqrt(w)
    wanted = every @ np.linalg.lstsq(root[:, None] * every, root * z, rcond=None)[0]
    normal = equations(X, Y, z, w, KNOTS_X, KNOTS_Y, more)
    spline, some = normal.solve_both(np.zeros_like(normal.stencil), 0.0)
    np.testing.assert_allclose(spline(X, Y) + more @ some, wanted, atol=1e-6)


@pytest.mark.parametrize(("order", "free"), [
    (2, lambda x, y: 1.0 + 0.3 * x - 0.2 * y),
    (3, lambda x, y: 1.0 + x**2 - 0.5 * y**2 + 0.1 * x**2 * y**2)])
def test_however_stiff_what_the_penalty_leaves_free_is_found(order, free):
    """A ridge in the solver once pulled at this: 0.02 mm of a panel 500 mm long."""
    z = free(X, Y)
    normal = equations(X, Y, z, np.full(300, 1.0 / 300.0), KNOTS_X, KNOTS_Y)
    spline = normal.solve(penalty(KNOTS_X, KNOTS_Y, order), 1e-2)
    np.testing.assert_allclose(spline(X, Y), z, atol=2e-6 * np.abs(z).max())
