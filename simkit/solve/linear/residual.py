"""Residuals b - A x of a symmetric A given by its upper triangle, for one and eight sides."""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.kernels.simd import (
    PREFETCH_BYTES,
    ROW_BYTES,
    address,
    broadcast8,
    broadcast_load8,
    fma8,
    fnma8,
    load8,
    max_abs8,
    prefetch,
    store8,
    subtract8,
)


@njit(cache=True)
def first_of_three(indptr: np.ndarray, indices: np.ndarray) -> np.ndarray:
    """Return a mask of the rows that are the first of three with the same later columns.

    The three equations of a control point are such rows. Their products are formed together, so
    that the column numbers, x and r are read once for all three.
    """
    n = indptr.size - 1
    result = np.zeros(n, np.bool_)
    i = 0
    while i + 2 < n:
        low, high = indptr[i], indptr[i + 1]
        same = high - low >= 3
        for m in range(1, 3):
            start = indptr[i + m]
            same = same and indptr[i + m + 1] - start == high - low - m
            k = m
            while same and low + k < high:
                same = indices[start + k - m] == indices[low + k]
                k += 1
        result[i] = same
        i += 3 if same else 1
    return result


@njit(cache=True, nogil=True, fastmath={"contract"})
def residual_one(
    indptr: np.ndarray,
    indices: np.ndarray,
    threes: np.ndarray,
    data: np.ndarray,
    x: np.ndarray,
    b: np.ndarray,
    r: np.ndarray,
) -> float:
    """Set r = b - A x, all (n,); return the largest |r|, NaN if any is.

    `threes` is the mask of `first_of_three`. An off-diagonal value stands for two entries of A,
    so each is used twice: for its row (t) and for its column (r[j]).
    """
    largest = 0.0
    n = indptr.size - 1
    ahead = address(data) + PREFETCH_BYTES
    for i in range(n):
        r[i] = b[i]
    i = 0
    while i < n:
        k = indptr[i]
        if threes[i]:
            k1, k2, end = indptr[i + 1], indptr[i + 2], indptr[i + 3]
            x0, x1, x2 = x[i], x[i + 1], x[i + 2]
            t0 = data[k] * x0 + data[k + 1] * x1 + data[k + 2] * x2
            t1 = data[k + 1] * x0 + data[k1] * x1 + data[k1 + 1] * x2
            t2 = data[k + 2] * x0 + data[k1 + 1] * x1 + data[k2] * x2
            k, k1, k2 = k + 3, k1 + 2, k2 + 1
            for m in range(end - k2):
                j = indices[k2 + m]
                if m % 8 == 0:
                    prefetch(ahead + 8 * (k + m))
                    prefetch(ahead + 8 * (k1 + m))
                    prefetch(ahead + 8 * (k2 + m))
                a0, a1, a2, xj = data[k + m], data[k1 + m], data[k2 + m], x[j]
                t0 += a0 * xj
                t1 += a1 * xj
                t2 += a2 * xj
                r[j] -= a0 * x0 + a1 * x1 + a2 * x2
            r[i] -= t0
            r[i + 1] -= t1
            r[i + 2] -= t2
        else:
            x0 = x[i]
            t0 = data[k] * x0
            for m in range(k + 1, indptr[i + 1]):
                j = indices[m]
                t0 += data[m] * x[j]
                r[j] -= data[m] * x0
            r[i] -= t0
        for done in range(i, i + 3 if threes[i] else i + 1):
            if not abs(r[done]) <= largest:
                largest = abs(r[done])
        i += 3 if threes[i] else 1
    return largest


@njit(cache=True, nogil=True)
def residual_eight(
    indptr: np.ndarray,
    indices: np.ndarray,
    threes: np.ndarray,
    data: np.ndarray,
    x: np.ndarray,
    b: np.ndarray,
    r: np.ndarray,
    sizes: np.ndarray,
    scales: np.ndarray,
) -> None:
    """Set r = b - A x, all (n, 8) row-major; sizes, scales (8,): the largest |r| and |b|."""
    a0, x0, r0 = address(data), address(x), address(r)
    n = indptr.size - 1
    zero = broadcast8(0.0)
    for i in range(n):
        store8(r0 + ROW_BYTES * i, load8(address(b) + ROW_BYTES * i))
    i = 0
    while i < n:
        xi, ri = x0 + ROW_BYTES * i, r0 + ROW_BYTES * i
        k = a0 + 8 * indptr[i]
        one = load8(xi)
        if threes[i]:
            k1, k2 = a0 + 8 * indptr[i + 1], a0 + 8 * indptr[i + 2]
            two, three = load8(xi + ROW_BYTES), load8(xi + 2 * ROW_BYTES)
            t0 = fma8(broadcast_load8(k), one, zero)
            t0 = fma8(broadcast_load8(k + 8), two, t0)
            t0 = fma8(broadcast_load8(k + 16), three, t0)
            t1 = fma8(broadcast_load8(k + 8), one, zero)
            t1 = fma8(broadcast_load8(k1), two, t1)
            t1 = fma8(broadcast_load8(k1 + 8), three, t1)
            t2 = fma8(broadcast_load8(k + 16), one, zero)
            t2 = fma8(broadcast_load8(k1 + 8), two, t2)
            t2 = fma8(broadcast_load8(k2), three, t2)
            low = indptr[i + 2] + 1
            for m in range(indptr[i + 3] - low):
                at = ROW_BYTES * np.int64(indices[low + m])
                if m % 8 == 0:
                    prefetch(k + 8 * m + PREFETCH_BYTES)
                    prefetch(k1 + 8 * m + PREFETCH_BYTES)
                    prefetch(k2 + 8 * m + PREFETCH_BYTES)
                c0, c1 = broadcast_load8(k + 24 + 8 * m), broadcast_load8(k1 + 16 + 8 * m)
                c2 = broadcast_load8(k2 + 8 + 8 * m)
                other = load8(x0 + at)
                t0 = fma8(c0, other, t0)
                t1 = fma8(c1, other, t1)
                t2 = fma8(c2, other, t2)
                rest = fnma8(c0, one, load8(r0 + at))
                rest = fnma8(c1, two, rest)
                store8(r0 + at, fnma8(c2, three, rest))
            store8(ri, subtract8(load8(ri), t0))
            store8(ri + ROW_BYTES, subtract8(load8(ri + ROW_BYTES), t1))
            store8(ri + 2 * ROW_BYTES, subtract8(load8(ri + 2 * ROW_BYTES), t2))
            i += 3
        else:
            total = fma8(broadcast_load8(k), one, zero)
            for m in range(1, indptr[i + 1] - indptr[i]):
                at = ROW_BYTES * np.int64(indices[indptr[i] + m])
                value = broadcast_load8(k + 8 * m)
                total = fma8(value, load8(x0 + at), total)
                store8(r0 + at, fnma8(value, one, load8(r0 + at)))
            store8(ri, subtract8(load8(ri), total))
            i += 1
    _largest(r, sizes)
    _largest(b, scales)


@njit(cache=True, nogil=True)
def _largest(x: np.ndarray, sizes: np.ndarray) -> None:
    """Set `sizes` (8,) to the largest magnitude of each of eight columns; NaN if any is."""
    x0 = address(x)
    size = broadcast8(0.0)
    for i in range(x.shape[0]):
        size = max_abs8(load8(x0 + ROW_BYTES * i), size)
    store8(address(sizes), size)
