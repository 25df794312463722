"""Solutions with the factors of a matrix nearby: GMRES, preconditioned from the right.

Saad and Schultz 1986 (GMRES; MEMORY). A factorisation of an earlier tangent costs nothing more,
and a Newton step need not be exact: a few iterations often do. All sums are compiled loops in one
order, so that the bits do not depend on threads.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from simkit.solve.linear.pattern import Pattern
from simkit.solve.linear.residual import residual_one

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Near:
    """A solution as far as it got: x, the share of the right side left, iterations taken."""

    x: Array
    left: float
    iterations: int


def symmetric_product(pattern: Pattern, data: Array, x: Array) -> Array:
    """Return A x (n,) of a matrix given by the values of its pattern's upper triangle."""
    product = np.empty_like(x)
    residual_one(pattern.indptr, pattern.columns, pattern.threes, data, x, np.zeros_like(x),
                 product)
    return np.negative(product, out=product)


def solve_near(
    apply: Callable[[Array], Array],
    precondition: Callable[[Array], Array],
    b: Array,
    goal: float,
    most: int,
) -> Near:
    """Solve apply(x) = b until |b - apply(x)| <= goal |b|, with at most so many iterations.

    `precondition` is the inverse of something near. Each iteration calls both once; the last call
    of `precondition` gives x. The length is Euclid's. Stops early where nothing more is found.
    """
    size = _length(b)
    if size == 0.0 or most < 1:
        return Near(np.zeros_like(b), float(size > 0.0), 0)
    basis, searches = [b / size], []
    h = np.zeros((most + 1, most))
    y: Array = np.zeros(0)
    left, used = 1.0, 0
    for k in range(most):
        searches.append(precondition(basis[k]))
        w = np.array(apply(searches[k]))
        for i in range(k + 1):
            h[i, k] = _take_out(basis[i], w)
        h[k + 1, k] = _length(w)
        right = np.zeros(k + 2)
        right[0] = 1.0
        y = np.asarray(np.linalg.lstsq(h[: k + 2, : k + 1], right, rcond=None)[0], np.float64)
        left, used = float(np.linalg.norm(right - h[: k + 2, : k + 1] @ y)), k + 1
        if not np.isfinite(left) or left <= goal or h[k + 1, k] <= 1e-14 * _length(h[: k + 1, k]):
            break
        basis.append(w / h[k + 1, k])
    x = np.zeros_like(b)
    for factor, search in zip(y, searches, strict=True):
        x += size * factor * search
    return Near(x, left, used)


@njit(cache=True)
def _length(x: Array) -> float:
    total = 0.0
    for value in x:
        total += value * value
    return np.sqrt(total)


@njit(cache=True)
def _take_out(direction: Array, w: Array) -> float:
    """Make w orthogonal to a direction of length one; return how much was taken out."""
    parts = np.zeros(8)
    whole = w.size // 8 * 8
    for i in range(0, whole, 8):
        for k in range(8):
            parts[k] += direction[i + k] * w[i + k]
    total = parts.sum()
    for i in range(whole, w.size):
        total += direction[i] * w[i]
    for i in range(w.size):
        w[i] -= total * direction[i]
    return total
