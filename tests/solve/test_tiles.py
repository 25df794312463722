"""Register tiles of both shapes and precisions, whatever this processor uses. Truth: numpy's dense
algebra in double precision."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from simkit.kernels.simd import address, aligned_of, load8_of, size_of_real, store8
from simkit.solve.linear import blocks, tiles

BOTH = pytest.mark.parametrize(("kind", "error"), [(np.float64, 1e-13), (np.float32, 2e-5)])


def panels_of(matrix, kind):
    """Rows in eights, each eight one column after another."""
    rows, columns = matrix.shape
    result = aligned_of(kind, matrix.size)
    result[:] = matrix.reshape(rows // 8, 8, columns).transpose(0, 2, 1).ravel()
    return result


def normal(seed, *shape, kind=np.float64):
    """Random numbers that single precision holds exactly."""
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32).astype(kind)


@BOTH
@pytest.mark.parametrize(("panels", "columns"), [(4, 8), (2, 8), (1, 4)])
def test_tile_is_a_product(panels, columns, kind, error):
    """Set and added, 13 columns of L deep."""
    put, add = (tiles._make_tile(panels, columns, more) for more in (False, True))

    @njit
    def run(a, b, c, depth, rows):
        real = a.dtype.type(0)
        size = size_of_real(real)
        step = 8 * size * depth
        put(real, address(a), step, address(b), depth, address(c), size * rows)
        add(real, address(a), step, address(b), depth, address(c), size * rows)

    a, b = normal(1, 8 * panels, 13), normal(11, 8, 13)
    c = np.full((columns, 40), np.nan, kind)  # column-major, 40 rows apart
    run(panels_of(a, kind), panels_of(b, kind), c, 13, 40)
    np.testing.assert_allclose(c[:, : 8 * panels].T, 2.0 * a @ b[:columns].T, atol=error)
    assert np.isnan(c[:, 8 * panels :]).all()


@BOTH
@pytest.mark.parametrize("panels", [1, 2, 4])
def test_finished_rows_solve_with_the_corner(panels, kind, error):
    """F + A B^T = X (I + unit)^T, columns of X scaled."""
    finish = tiles._make_solve(panels)

    @njit
    def run(a, b, f, unit, reciprocal, to):
        real = a.dtype.type(0)
        size = size_of_real(real)
        finish(real, address(a), 8 * size * 5, address(b), 5, address(f), size * 40, address(unit),
               address(reciprocal), address(to), 64 * size)

    a, b, f = normal(2, 8 * panels, 5), normal(12, 8, 5), normal(22, 8, 40)
    unit, reciprocal = 0.5 * np.tril(normal(32, 8, 8), -1), normal(42, 8)
    to = aligned_of(kind, 64 * panels)
    run(panels_of(a, kind), panels_of(b, kind), f.astype(kind), np.ascontiguousarray(unit.T, kind),
        reciprocal.astype(kind), to)
    front = f[:, : 8 * panels].T + a @ b.T
    expected = np.linalg.solve(np.eye(8) + unit, front.T).T * reciprocal
    found = to.reshape(panels, 8, 8).transpose(0, 2, 1).reshape(-1, 8)
    np.testing.assert_allclose(found, expected, atol=10.0 * error, rtol=10.0 * error)


@BOTH
def test_corner_is_factored_and_solved(kind, error):
    """A = (I + U) D (I + U)^T, and (I + U) y = b."""
    @njit
    def run(f, unit, pivots, reciprocal, b):
        real = f.dtype.type(0)
        blocks.factor_corner8(real, address(f), 8 * size_of_real(real), address(unit),
                              address(pivots), address(reciprocal))
        store8(address(b), blocks.forward_corner8(address(unit), load8_of(real, address(b))))

    lower = np.eye(8) + 0.5 * np.tril(normal(3, 8, 8), -1)
    d = np.array([3.0, -2.0, 1.5, 4.0, -1.0, 2.0, 5.0, -3.0])
    a, b = lower * d @ lower.T, normal(13, 8)
    y, unit = b.astype(kind), np.empty((8, 8), kind)
    pivots, reciprocal = np.empty(8, kind), np.empty(8, kind)
    run(np.ascontiguousarray(np.tril(a).T, kind), unit, pivots, reciprocal, y)
    np.testing.assert_allclose(pivots, d, rtol=10.0 * error)
    np.testing.assert_allclose(reciprocal, 1.0 / d, rtol=10.0 * error)
    np.testing.assert_allclose(unit.T + np.eye(8), lower, atol=10.0 * error)
    np.testing.assert_allclose(y, np.linalg.solve(lower, b), rtol=100.0 * error)


@pytest.mark.parametrize("kind", [np.float64, np.float32])
@pytest.mark.parametrize("length", [0, 1, 7, 8, 9, 16, 21])
def test_a_stretch_leaves_what_follows_alone(length, kind):
    """Added up to its end; what stands beyond keeps its bits, NaN too."""
    to, source = normal(4, 40, kind=kind), normal(14, 40, kind=kind)
    to[length + 1 : length + 4] = np.nan
    expected = to.copy()
    expected[:length] += source[:length]
    _stretch(to, source, length)
    np.testing.assert_array_equal(to, expected)


@njit
def _stretch(to, source, length):
    blocks.add_run8(to.dtype.type(0), address(to), address(source), length)


@BOTH
def test_totals_of_eight_vectors(kind, error):
    """Each vector's own total, in order."""

    @njit
    def run(vectors, totals):
        store8(address(totals), blocks.row_sums8(vectors.dtype.type(0), address(vectors)))

    vectors, totals = normal(5, 8, 8, kind=kind), np.empty(8, kind)
    run(vectors, totals)
    np.testing.assert_allclose(totals, vectors.astype(float).sum(axis=1), atol=error)
