"""Register tiles of both shapes, whatever this processor uses. Truth: numpy's dense algebra."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from simkit.kernels.simd import address, aligned, load8, store8
from simkit.solve.linear import tiles


def panels_of(matrix):
    """Rows in eights, each eight one column after another."""
    rows, columns = matrix.shape
    result = aligned(matrix.size)
    result[:] = matrix.reshape(rows // 8, 8, columns).transpose(0, 2, 1).ravel()
    return result


@pytest.mark.parametrize(("panels", "columns"), [(2, 8), (1, 4)])
def test_tile_is_a_product(panels, columns):
    """Set and added, 13 columns of L deep."""
    put, add = (tiles._make_tile(panels, columns, more) for more in (False, True))

    @njit
    def run(a, b, c, depth, rows):
        put(address(a), 64 * depth, address(b), depth, address(c), 8 * rows)
        add(address(a), 64 * depth, address(b), depth, address(c), 8 * rows)

    rng = np.random.default_rng(1)
    a, b = rng.standard_normal((8 * panels, 13)), rng.standard_normal((8, 13))
    c = np.full((columns, 24), np.nan)  # column-major, 24 rows apart
    run(panels_of(a), panels_of(b), c, 13, 24)
    np.testing.assert_allclose(c[:, : 8 * panels].T, 2.0 * a @ b[:columns].T, atol=1e-13)
    assert np.isnan(c[:, 8 * panels :]).all()


@pytest.mark.parametrize("panels", [1, 2])
def test_finished_rows_solve_with_the_corner(panels):
    """F + A B^T = X (I + unit)^T, columns of X scaled."""
    finish = tiles._make_solve(panels)

    @njit
    def run(a, b, f, unit, reciprocal, to):
        finish(address(a), 64 * 5, address(b), 5, address(f), 8 * 24, address(unit),
               address(reciprocal), address(to), 512)

    rng = np.random.default_rng(2)
    a, b = rng.standard_normal((8 * panels, 5)), rng.standard_normal((8, 5))
    f, unit = rng.standard_normal((8, 24)), np.tril(rng.standard_normal((8, 8)), -1)
    reciprocal, to = rng.standard_normal(8), aligned(64 * panels)
    run(panels_of(a), panels_of(b), f, unit.T.copy(), reciprocal, to)
    front = f[:, : 8 * panels].T + a @ b.T
    expected = np.linalg.solve(np.eye(8) + unit, front.T).T * reciprocal
    found = to.reshape(panels, 8, 8).transpose(0, 2, 1).reshape(-1, 8)
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_corner_is_factored_and_solved():
    """A = (I + U) D (I + U)^T, and (I + U) y = b."""
    @njit
    def run(f, unit, pivots, reciprocal, b):
        tiles.factor_corner8(address(f), 64, address(unit), address(pivots), address(reciprocal))
        y = tiles.forward_corner8(address(unit), load8(address(b)))
        store8(address(b), y)


    rng = np.random.default_rng(3)
    lower = np.eye(8) + np.tril(rng.standard_normal((8, 8)), -1)
    d = np.array([3.0, -2.0, 1.5, 4.0, -1.0, 2.0, 5.0, -3.0])
    a, b = lower * d @ lower.T, rng.standard_normal(8)
    y, unit, pivots, reciprocal = b.copy(), np.empty((8, 8)), np.empty(8), np.empty(8)
    run(np.tril(a).T.copy(), unit, pivots, reciprocal, y)
    np.testing.assert_allclose(pivots, d, rtol=1e-12)
    np.testing.assert_allclose(reciprocal, 1.0 / d, rtol=1e-12)
    np.testing.assert_allclose(unit.T + np.eye(8), lower, atol=1e-12)
    np.testing.assert_allclose(y, np.linalg.solve(lower, b), rtol=1e-9)


@pytest.mark.parametrize("length", [0, 1, 7, 8, 9, 16, 21])
def test_a_stretch_leaves_what_follows_alone(length):
    """Added up to its end; what stands beyond keeps its bits, NaN too."""
    rng = np.random.default_rng(4)
    to, source = rng.standard_normal(40), rng.standard_normal(40)
    to[length + 1 : length + 4] = np.nan
    expected = to.copy()
    expected[:length] += source[:length]
    _stretch(to, source, length)
    np.testing.assert_array_equal(to, expected)


@njit
def _stretch(to, source, length):
    tiles.add_run8(address(to), address(source), length)


def test_totals_of_eight_vectors():
    """Each vector's own total, in order."""

    @njit
    def run(vectors, totals):
        store8(address(totals), tiles.row_sums8(address(vectors)))

    vectors, totals = np.random.default_rng(5).standard_normal((8, 8)), np.empty(8)
    run(vectors, totals)
    np.testing.assert_allclose(totals, vectors.sum(axis=1), atol=1e-14)
