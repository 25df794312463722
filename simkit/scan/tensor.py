r"""Smooth surface z = f(x, y): a bicubic tensor-product B-spline fitted to many weighted points.

Least squares with a roughness penalty (P-splines; Eilers and Marx 1996, O'Sullivan 1986: MEMORY):

    sum w_i (z_i - f(x_i, y_i))^2 + lambda R(f)

    order 2   R = int f_xx^2 + 2 f_xy^2 + f_yy^2      leaves planes free: for deviations
    order 3   R = int f_xxx^2 + f_yyy^2               leaves x^2 y^2 free: for panels

Where knots are close together (at a feature line) the penalty is reduced: it is multiplied by
(h / H)^5, with h the local and H the largest knot distance, and by a further 1e-9 below 0.6 H. The
normal equations are stored as a 7 x 7 stencil around every coefficient and solved by a banded
Cholesky factorisation; the points are read only once, to assemble them. docs/decisions says why the
evaluation and the assembly are own kernels and not scipy's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba as nb
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import cho_solve_banded, cholesky_banded

Array = NDArray[np.float64]
SPLINE_DEGREE = 3
FEATURE_PENALTY_SHARE = 1e-9
"""Factor of the penalty where knots are refined."""
GAUSS = np.polynomial.legendre.leggauss(4)  # exact for the products of two cubics


@dataclass(frozen=True)
class TensorSpline:
    """Bicubic spline: ``knots_x`` (nx + 4,), ``knots_y`` (ny + 4,), ``coefficients`` (nx, ny)."""

    knots_x: Array
    knots_y: Array
    coefficients: Array

    def __call__(self, x: Array, y: Array) -> Array:
        """Value at x, y (any one shape); polynomial continuation outside."""
        return self._all(x, y)[0]

    def gradient(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Value and its two first derivatives at x, y."""
        return self._all(x, y)

    def _all(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        flat_x, flat_y = np.ascontiguousarray(x).ravel(), np.ascontiguousarray(y).ravel()
        out = np.empty((3, flat_x.size))
        _evaluate(flat_x, flat_y, self.knots_x, self.knots_y, self.coefficients, out)
        return out[0].reshape(x.shape), out[1].reshape(x.shape), out[2].reshape(x.shape)


@dataclass(frozen=True)
class Equations:
    """Normal equations of points on given knots.

    ``stencil`` (nx, ny, 7, 7): entry [i, j, 3 + a, 3 + b] couples coefficients (i, j) and
    (i + a, j + b). ``right`` (nx, ny): right-hand side. ``beside`` (nx, ny, p) couples the spline
    with p further functions without penalty; ``square`` (p, p + 1) are their own normal equations,
    with the right-hand side in the last column.
    """

    knots_x: Array
    knots_y: Array
    stencil: Array
    right: Array
    beside: Array
    square: Array

    def solve(self, penalty: Array, smoothing: float) -> TensorSpline:
        """The spline for a penalty (nx, ny, 7, 7) times ``smoothing``, without the functions."""
        spline = self._solved(penalty, smoothing, self.right.reshape(-1, 1))
        return TensorSpline(self.knots_x, self.knots_y, spline.reshape(self.right.shape))

    def solve_both(self, penalty: Array, smoothing: float) -> tuple[TensorSpline, Array]:
        """The spline and the coefficients (p,) of the further functions, by block elimination."""
        p = self.square.shape[0]
        right = np.column_stack([self.beside.reshape(self.right.size, p), self.right.ravel()])
        solved = self._solved(penalty, smoothing, right)
        schur = self.square - right[:, :p].T @ solved
        schur[:, :p] += 1e-12 * np.trace(self.square[:, :p]) * np.eye(p)
        more = np.asarray(np.linalg.solve(schur[:, :p], schur[:, p]) if p else np.zeros(0), float)
        spline = solved[:, p] - solved[:, :p] @ more
        return TensorSpline(self.knots_x, self.knots_y, spline.reshape(self.right.shape)), more

    def _solved(self, penalty: Array, smoothing: float, right: Array) -> Array:
        band = _band(self.stencil + smoothing * penalty)
        # A small diagonal term makes coefficients unique that neither points nor penalty determine.
        # It is small against the points, so that it does not distort the functions which the
        # penalty leaves free, and above the rounding error of the penalty.
        band[0] += 1e-9 * self.stencil[:, :, 3, 3].max() + 4e-16 * band[0].max()
        factor = cholesky_banded(band, lower=True, check_finite=False)
        return np.asarray(cho_solve_banded((factor, True), right, check_finite=False))


def equations(x: Array, y: Array, z: Array, w: Array, knots_x: Array, knots_y: Array,
              more: Array | None = None) -> Equations:
    """Normal equations of points x, y, z with weights w, all (n,), points inside the knots.

    ``more`` (n, p): values at the points of further functions.
    """
    nx, ny = len(knots_x) - SPLINE_DEGREE - 1, len(knots_y) - SPLINE_DEGREE - 1
    columns = z[:, None] if more is None else np.column_stack([more, z])
    stencil, right = np.zeros((nx, ny, 7, 7)), np.zeros((nx, ny, columns.shape[1]))
    x, y, columns, w = (np.ascontiguousarray(v, dtype=float) for v in (x, y, columns, w))
    _assemble(x, y, columns, w, knots_x, knots_y, stencil, right)
    square = (columns[:, :-1] * w[:, None]).T @ columns
    return Equations(knots_x, knots_y, stencil, right[:, :, -1], right[:, :, :-1], square)


def even_knots(low: float, high: float, step: float) -> Array:
    """Open cubic knots over [low, high], about ``step`` apart."""
    return open_knots(np.linspace(low, high, max(1, round((high - low) / step)) + 1))


def open_knots(breaks: Array) -> Array:
    """Cubic knots: ``breaks`` with the first and last repeated, so that the spline ends there."""
    return np.concatenate([np.repeat(breaks[0], SPLINE_DEGREE), breaks,
                           np.repeat(breaks[-1], SPLINE_DEGREE)])


def penalty(knots_x: Array, knots_y: Array, order: int, graded: bool = False) -> Array:
    """R of the module's formula as a stencil (nx, ny, 7, 7); ``graded``: reduced at close knots."""
    mass_x, mass_y = _gram(knots_x, 0, False), _gram(knots_y, 0, False)
    rough_x, rough_y = _gram(knots_x, order, graded), _gram(knots_y, order, graded)
    total = _product(rough_x, mass_y) + _product(mass_x, rough_y)
    if order == 2:
        total += 2.0 * _product(_gram(knots_x, 1, False), _gram(knots_y, 1, False))
    return total


def _product(a: Array, b: Array) -> Array:
    """Stencil of the tensor product of two one-dimensional Gram matrices (n, 7)."""
    return np.asarray(a[:, None, :, None] * b[None, :, None, :])


def _gram(knots: Array, order: int, graded: bool) -> Array:
    """(n, 7) integrals of the products of derivatives of B-spline i and i - 3 .. i + 3."""
    n = len(knots) - SPLINE_DEGREE - 1
    gram, basis = np.zeros((n, 7)), BSpline(knots, np.eye(n), SPLINE_DEGREE)
    coarsest = float(np.diff(knots).max())
    for span in range(SPLINE_DEGREE, n):
        start, end = knots[span], knots[span + 1]
        if end <= start:
            continue
        at = 0.5 * (start + end) + 0.5 * (end - start) * GAUSS[0]
        share = (end - start) / coarsest if graded else 1.0
        left = share**5 * (1.0 if share > 0.6 else FEATURE_PENALTY_SHARE)
        weight = 0.5 * (end - start) * GAUSS[1] * left
        value = basis(at, nu=order)[:, span - 3: span + 1]  # (points, the four of the span)
        product = (value * weight[:, None]).T @ value
        for i in range(4):
            for j in range(4):
                gram[span - 3 + i, 3 + j - i] += product[i, j]
    return gram


def _band(stencil: Array) -> Array:
    """Lower band storage (3 ny + 4, nx ny) of the symmetric matrix of a stencil."""
    nx, ny = stencil.shape[:2]
    band = np.zeros((SPLINE_DEGREE * ny + SPLINE_DEGREE + 1, nx * ny))
    grid = np.arange(nx * ny).reshape(nx, ny)
    for i in range(4):
        for j in range(-3, 4):
            offset = i * ny + j
            if offset < 0:
                continue
            rows = grid[: nx - i, max(0, -j): ny - max(0, j)]
            band[offset, rows] = stencil[: nx - i, max(0, -j): ny - max(0, j), 3 + i, 3 + j]
    return band


@nb.njit(cache=True)
def _span(t, knots):
    """Number of the knot interval that contains t: knots[span] <= t < knots[span + 1].

    The last non-empty interval if t is at the end or beyond it.
    """
    low, high = 3, knots.size - 4
    if t >= knots[high]:
        span = high - 1
        while knots[span + 1] <= knots[span]:
            span -= 1
        return span
    while high - low > 1:
        middle = (low + high) // 2
        if t >= knots[middle]:
            low = middle
        else:
            high = middle
    return low


@nb.njit(cache=True)
def _basis(t, knots, span, value, slope):
    """Values and first derivatives of the four cubic B-splines on a span (Cox-de Boor recursion).

    The derivatives are added to ``slope`` (4,).
    """
    left, right = np.empty(4), np.empty(4)
    value[0] = 1.0
    for j in range(1, 4):
        left[j] = t - knots[span + 1 - j]
        right[j] = knots[span + j] - t
        if j == 3:
            for r in range(3):
                d = 3.0 * value[r] / (right[r + 1] + left[3 - r])
                slope[r] -= d
                slope[r + 1] += d
        saved = 0.0
        for r in range(j):
            part = value[r] / (right[r + 1] + left[j - r])
            value[r] = saved + right[r + 1] * part
            saved = left[j - r] * part
        value[j] = saved


@nb.njit(cache=True)
def _evaluate(x, y, knots_x, knots_y, coefficients, out):
    """Fill out (3, m) with value and two derivatives at x, y (m,); coefficients (nx, ny)."""
    bx, by, sx, sy = np.empty(4), np.empty(4), np.empty(4), np.empty(4)
    for k in range(x.size):
        i, j = _span(x[k], knots_x), _span(y[k], knots_y)
        sx[:] = 0.0
        sy[:] = 0.0
        _basis(x[k], knots_x, i, bx, sx)
        _basis(y[k], knots_y, j, by, sy)
        f, fx, fy = 0.0, 0.0, 0.0
        for a in range(4):
            row, slope = 0.0, 0.0
            for b in range(4):
                c = coefficients[i - 3 + a, j - 3 + b]
                row += c * by[b]
                slope += c * sy[b]
            f += bx[a] * row
            fx += sx[a] * row
            fy += bx[a] * slope
        out[0, k] = f
        out[1, k] = fx
        out[2, k] = fy


@nb.njit(cache=True)
def _assemble(x, y, z, w, knots_x, knots_y, stencil, right):
    """Add points x, y (m,) with weights w (m,) and columns z (m, p) to the normal equations:
    stencil (nx, ny, 7, 7), right (nx, ny, p)."""
    bx, by, none = np.empty(4), np.empty(4), np.zeros(4)
    for k in range(x.size):
        if w[k] == 0.0:
            continue
        i, j = _span(x[k], knots_x), _span(y[k], knots_y)
        _basis(x[k], knots_x, i, bx, none)
        _basis(y[k], knots_y, j, by, none)
        for a in range(4):
            for b in range(4):
                own = w[k] * bx[a] * by[b]
                for c in range(z.shape[1]):
                    right[i - 3 + a, j - 3 + b, c] += own * z[k, c]
                for c in range(4):
                    for d in range(4):
                        stencil[i - 3 + a, j - 3 + b, 3 + c - a, 3 + d - b] += own * bx[c] * by[d]
