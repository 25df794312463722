"""Residuals of a symmetric matrix given by its upper triangle, for one and for eight sides."""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.solve.linear.simd import (
    add_product8,
    address,
    largest8,
    less_product8,
    load8,
    minus8,
    same8,
    spread8,
    store8,
)

ROW = 64  # bytes of eight floats


@njit(cache=True, nogil=True, fastmath={"contract"})
def residual_one(
    indptr: np.ndarray,
    indices: np.ndarray,
    data: np.ndarray,
    x: np.ndarray,
    b: np.ndarray,
    r: np.ndarray,
) -> float:
    """Set r = b - A x, all (n,); return the largest |r|, or NaN if there is one.

    Three sums run beside each other in a row, so that none waits for the last product.
    """
    r[:] = b
    largest = 0.0
    for i in range(indptr.size - 1):
        low, high = indptr[i], indptr[i + 1]
        mine = x[i]
        t0, t1, t2 = data[low] * mine, 0.0, 0.0
        low += 1
        threes = low + (high - low) // 3 * 3
        for k in range(low, threes, 3):
            j0, j1, j2 = indices[k], indices[k + 1], indices[k + 2]
            a0, a1, a2 = data[k], data[k + 1], data[k + 2]
            t0 += a0 * x[j0]
            t1 += a1 * x[j1]
            t2 += a2 * x[j2]
            r[j0] -= a0 * mine
            r[j1] -= a1 * mine
            r[j2] -= a2 * mine
        for k in range(threes, high):
            j0 = indices[k]
            t0 += data[k] * x[j0]
            r[j0] -= data[k] * mine
        rest = r[i] - (t0 + t1 + t2)
        r[i] = rest
        if not abs(rest) <= largest:
            largest = abs(rest)
    return largest


@njit(cache=True, nogil=True)
def residual_eight(
    indptr: np.ndarray,
    indices: np.ndarray,
    data: np.ndarray,
    x: np.ndarray,
    b: np.ndarray,
    r: np.ndarray,
    sizes: np.ndarray,
    scales: np.ndarray,
) -> None:
    """Set r = b - A x, all (n, 8) row-major; sizes, scales (8,): the largest |r| and |b|."""
    d0, x0 = address(data), address(x)
    b0, r0 = address(b), address(r)
    r[:] = b
    size, scale = same8(0.0), same8(0.0)
    for i in range(indptr.size - 1):
        low, high = indptr[i], indptr[i + 1]
        mine = load8(x0 + ROW * i)
        total = same8(0.0)
        total = add_product8(spread8(d0 + 8 * low), mine, total)
        for k in range(low + 1, high):
            j = ROW * np.int64(indices[k])
            value = spread8(d0 + 8 * k)
            total = add_product8(value, load8(x0 + j), total)
            store8(r0 + j, less_product8(value, mine, load8(r0 + j)))
        rest = minus8(load8(r0 + ROW * i), total)
        store8(r0 + ROW * i, rest)
        size = largest8(rest, size)
        scale = largest8(load8(b0 + ROW * i), scale)
    store8(address(sizes), size)
    store8(address(scales), scale)
