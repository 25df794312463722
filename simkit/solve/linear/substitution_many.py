"""Forward and backward substitution for several right sides at once, by BLAS 3.

x (m, n) holds a right side in each row, in the new order; to BLAS it is (n, m) with columns n
apart. `work` holds at least m times the largest border. Blocks as in `substitution`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.solve.linear.blas import GEMM, TRSM, dgemm, dtrsm

L, LEFT, N, T, UNIT = ord("L"), ord("L"), ord("N"), ord("T"), ord("U")


@njit(cache=True, nogil=True)
def forward_many(
    blocks: np.ndarray,
    x: np.ndarray,
    first: np.ndarray,
    border_ptr: np.ndarray,
    border: np.ndarray,
    panel_ptr: np.ndarray,
    panel: np.ndarray,
    work: np.ndarray,
    blas: np.ndarray,
) -> None:
    """Apply the inverse of L, in place, block by block; borders are reduced as it goes."""
    many, n = x.shape
    x0, w0 = x.ctypes.data, work.ctypes.data
    for s in blocks:
        pivots, size = first[s + 1] - first[s], border_ptr[s + 1] - border_ptr[s]
        rows = pivots + size
        p0, at = panel.ctypes.data + 8 * panel_ptr[s], x0 + 8 * first[s]
        below = p0 + 8 * pivots
        dtrsm(blas[TRSM], LEFT, L, N, UNIT, pivots, many, 1.0, p0, rows, at, n)
        if size > 0:
            dgemm(blas[GEMM], N, N, size, many, pivots, 1.0, below, rows, at, n, 0.0, w0, size)
        places = border[border_ptr[s] : border_ptr[s + 1]]
        for m in range(many):
            column, part = x[m], work[m * size : (m + 1) * size]
            for i in range(size):
                column[places[i]] -= part[i]


@njit(cache=True, nogil=True)
def backward_many(
    blocks: np.ndarray,
    x: np.ndarray,
    first: np.ndarray,
    border_ptr: np.ndarray,
    border: np.ndarray,
    panel_ptr: np.ndarray,
    panel: np.ndarray,
    d: np.ndarray,
    work: np.ndarray,
    blas: np.ndarray,
) -> None:
    """Apply the inverse of D L^T, in place, block by block from the last."""
    many, n = x.shape
    x0, w0 = x.ctypes.data, work.ctypes.data
    for k in range(blocks.size - 1, -1, -1):
        s = blocks[k]
        pivots, size = first[s + 1] - first[s], border_ptr[s + 1] - border_ptr[s]
        rows = pivots + size
        p0, at = panel.ctypes.data + 8 * panel_ptr[s], x0 + 8 * first[s]
        below = p0 + 8 * pivots
        places = border[border_ptr[s] : border_ptr[s + 1]]
        for m in range(many):
            column, part = x[m], work[m * size : (m + 1) * size]
            for i in range(first[s], first[s + 1]):
                column[i] /= d[i]
            for i in range(size):
                part[i] = column[places[i]]
        if size > 0:
            dgemm(blas[GEMM], T, N, pivots, many, size, -1.0, below, rows, w0, size, 1.0, at, n)
        dtrsm(blas[TRSM], LEFT, L, T, UNIT, pivots, many, 1.0, p0, rows, at, n)
