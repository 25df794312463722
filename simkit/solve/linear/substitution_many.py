"""Forward and backward substitution for up to eight right sides at once.

x (n, 8) holds the sides of one equation together, in the new order, so that every number of L is
read once and meets all of them. Blocks and fronts as in `substitution`, eight floats a row.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.kernels.simd import (
    address,
    less_product8,
    load8,
    minus8,
    same8,
    spread8,
    store8,
    times8,
)
from simkit.solve.linear.tiles import add_transposed8, rows_times8

ROW = 64  # bytes of eight floats


@njit(cache=True, nogil=True)
def forward_many(
    blocks: np.ndarray,
    x: np.ndarray,
    first: np.ndarray,
    border_ptr: np.ndarray,
    slot: np.ndarray,
    panel_ptr: np.ndarray,
    panel: np.ndarray,
    front: np.ndarray,
) -> None:
    """Apply the inverse of L to x in place, as `substitution.forward`, in rows of eight."""
    panel0, x0 = address(panel), address(x)
    part = address(front)
    for s in blocks:
        pivots = first[s + 1] - first[s]
        own = (pivots + 7) // 8
        p0, mine = panel0 + 8 * panel_ptr[s], x0 + ROW * first[s]
        for r in range(own):
            j = 8 * r
            a = p0 + ROW * r * pivots
            rows_times8(a, mine, j, part)
            for i in range(min(8, pivots - j)):
                at = mine + ROW * (j + i)
                value = minus8(load8(at), load8(part + ROW * i))
                for c in range(i):
                    factor = spread8(a + ROW * (j + c) + 8 * i)
                    value = less_product8(factor, load8(mine + ROW * (j + c)), value)
                store8(at, value)
        low, size = border_ptr[s], border_ptr[s + 1] - border_ptr[s]
        for r in range((size + 7) // 8):
            rows_times8(p0 + ROW * (own + r) * pivots, mine, pivots, part)
            for i in range(min(8, size - 8 * r)):
                at = x0 + ROW * slot[low + 8 * r + i]
                store8(at, minus8(load8(at), load8(part + ROW * i)))


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
    front: np.ndarray,
) -> None:
    """Apply the inverse of D L^T to x (n, 8) in place, blocks from the last."""
    panel0, x0 = address(panel), address(x)
    eight = address(front)
    sums = eight + 8 * ROW
    zero = same8(0.0)
    for block in range(blocks.size - 1, -1, -1):
        s = blocks[block]
        pivots = first[s + 1] - first[s]
        own = (pivots + 7) // 8
        p0, mine = panel0 + 8 * panel_ptr[s], x0 + ROW * first[s]
        for k in range(pivots):
            store8(sums + ROW * k, zero)
        low, size = border_ptr[s], border_ptr[s + 1] - border_ptr[s]
        for r in range((size + 7) // 8):
            width = min(8, size - 8 * r)
            for i in range(width):
                store8(eight + ROW * i, load8(x0 + ROW * border[low + 8 * r + i]))
            for i in range(width, 8):
                store8(eight + ROW * i, zero)
            add_transposed8(p0 + ROW * (own + r) * pivots, eight, pivots, sums)
        for r in range(own - 1, -1, -1):
            j = 8 * r
            a = p0 + ROW * r * pivots
            width = min(8, pivots - j)
            for c in range(width - 1, -1, -1):
                at = mine + ROW * (j + c)
                scaled = times8(load8(at), same8(1.0 / d[first[s] + j + c]))
                value = minus8(scaled, load8(sums + ROW * (j + c)))
                for i in range(width - 1, c, -1):  # the newest last: it is waited for
                    factor = spread8(a + ROW * (j + c) + 8 * i)
                    value = less_product8(factor, load8(eight + ROW * i), value)
                store8(eight + ROW * c, value)
                store8(at, value)
            for i in range(width, 8):
                store8(eight + ROW * i, zero)
            add_transposed8(a, eight, j, sums)


@njit(cache=True, nogil=True)
def pack(b: np.ndarray, order: np.ndarray, x: np.ndarray, ordered: np.ndarray) -> None:
    """Set x (n, 8) from the sides b (m, n), zero beyond them, and the same in the new order."""
    many = b.shape[0]
    for i in range(x.shape[0]):
        for k in range(many):
            x[i, k] = b[k, i]
        for k in range(many, 8):
            x[i, k] = 0.0
    x0, to = address(x), address(ordered)
    for place in range(order.size):
        store8(to + ROW * place, load8(x0 + ROW * order[place]))


@njit(cache=True, nogil=True)
def unpack(ordered: np.ndarray, order: np.ndarray, x: np.ndarray, result: np.ndarray) -> None:
    """Undo `pack`: x (n, 8) in the first order, and its sides as the rows of `result` (m, n)."""
    x0, at = address(x), address(ordered)
    for place in range(order.size):
        store8(x0 + ROW * order[place], load8(at + ROW * place))
    for i in range(x.shape[0]):
        for k in range(result.shape[0]):
            result[k, i] = x[i, k]
