"""Forward and backward substitution for up to eight right-hand sides at once.

x (n, 8) holds the right-hand sides row by row in the order of elimination, so that every number of
L is read once and used for all of them. Blocks and fronts as in `substitution`, with eight floats
for each row.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.kernels.simd import (
    ROW_BYTES,
    address,
    broadcast8,
    broadcast_load8,
    fnma8,
    load8,
    multiply8,
    store8,
    subtract8,
)
from simkit.solve.linear.symbolic import Tree
from simkit.solve.linear.tiles import add_transposed8, rows_times8


@njit(cache=True, nogil=True)
def forward_many(
    supernodes: np.ndarray, x: np.ndarray, tree: Tree, slot: np.ndarray, panel: np.ndarray,
    front: np.ndarray,
) -> None:
    """Apply the inverse of L to x in place, as `substitution.forward`, in rows of eight."""
    first, border_ptr, panel_ptr = tree.first, tree.border_ptr, tree.panel_ptr
    panel0, x0 = address(panel), address(x)
    part = address(front)
    for s in supernodes:
        pivots = first[s + 1] - first[s]
        own = (pivots + 7) // 8
        p0, mine = panel0 + 8 * panel_ptr[s], x0 + ROW_BYTES * first[s]
        for r in range(own):
            j = 8 * r
            a = p0 + ROW_BYTES * r * pivots
            rows_times8(a, mine, j, part)
            for i in range(min(8, pivots - j)):
                at = mine + ROW_BYTES * (j + i)
                value = subtract8(load8(at), load8(part + ROW_BYTES * i))
                for c in range(i):
                    factor = broadcast_load8(a + ROW_BYTES * (j + c) + 8 * i)
                    value = fnma8(factor, load8(mine + ROW_BYTES * (j + c)), value)
                store8(at, value)
        low, size = border_ptr[s], border_ptr[s + 1] - border_ptr[s]
        for r in range((size + 7) // 8):
            rows_times8(p0 + ROW_BYTES * (own + r) * pivots, mine, pivots, part)
            for i in range(min(8, size - 8 * r)):
                at = x0 + ROW_BYTES * slot[low + 8 * r + i]
                store8(at, subtract8(load8(at), load8(part + ROW_BYTES * i)))


@njit(cache=True, nogil=True)
def backward_many(
    supernodes: np.ndarray, x: np.ndarray, tree: Tree, panel: np.ndarray, d: np.ndarray,
    front: np.ndarray,
) -> None:
    """Apply the inverse of D L^T to x (n, 8) in place, supernodes from the last."""
    first, border_ptr, border = tree.first, tree.border_ptr, tree.border
    panel_ptr = tree.panel_ptr
    panel0, x0 = address(panel), address(x)
    eight = address(front)
    sums = eight + 8 * ROW_BYTES
    zero = broadcast8(0.0)
    for supernode in range(supernodes.size - 1, -1, -1):
        s = supernodes[supernode]
        pivots = first[s + 1] - first[s]
        own = (pivots + 7) // 8
        p0, mine = panel0 + 8 * panel_ptr[s], x0 + ROW_BYTES * first[s]
        for k in range(pivots):
            store8(sums + ROW_BYTES * k, zero)
        low, size = border_ptr[s], border_ptr[s + 1] - border_ptr[s]
        for r in range((size + 7) // 8):
            width = min(8, size - 8 * r)
            for i in range(width):
                store8(eight + ROW_BYTES * i, load8(x0 + ROW_BYTES * border[low + 8 * r + i]))
            for i in range(width, 8):
                store8(eight + ROW_BYTES * i, zero)
            add_transposed8(p0 + ROW_BYTES * (own + r) * pivots, eight, pivots, sums)
        for r in range(own - 1, -1, -1):
            j = 8 * r
            a = p0 + ROW_BYTES * r * pivots
            width = min(8, pivots - j)
            for c in range(width - 1, -1, -1):
                at = mine + ROW_BYTES * (j + c)
                scaled = multiply8(load8(at), broadcast8(1.0 / d[first[s] + j + c]))
                value = subtract8(scaled, load8(sums + ROW_BYTES * (j + c)))
                for i in range(width - 1, c, -1):  # the value computed last is used last
                    factor = broadcast_load8(a + ROW_BYTES * (j + c) + 8 * i)
                    value = fnma8(factor, load8(eight + ROW_BYTES * i), value)
                store8(eight + ROW_BYTES * c, value)
                store8(at, value)
            for i in range(width, 8):
                store8(eight + ROW_BYTES * i, zero)
            add_transposed8(a, eight, j, sums)


@njit(cache=True, nogil=True)
def pack(b: np.ndarray, order: np.ndarray, x: np.ndarray, ordered: np.ndarray) -> None:
    """Set x (n, 8) from the sides b (m, n), filled up with zeros, and `ordered`, the same rows in
    the order of elimination."""
    many = b.shape[0]
    for i in range(x.shape[0]):
        for k in range(many):
            x[i, k] = b[k, i]
        for k in range(many, 8):
            x[i, k] = 0.0
    x0, to = address(x), address(ordered)
    for place in range(order.size):
        store8(to + ROW_BYTES * place, load8(x0 + ROW_BYTES * order[place]))


@njit(cache=True, nogil=True)
def unpack(ordered: np.ndarray, order: np.ndarray, x: np.ndarray, result: np.ndarray) -> None:
    """Undo `pack`: set x (n, 8) in the original order, and `result` (m, n) with one side a row."""
    x0, at = address(x), address(ordered)
    for place in range(order.size):
        store8(x0 + ROW_BYTES * order[place], load8(at + ROW_BYTES * place))
    for i in range(x.shape[0]):
        for k in range(result.shape[0]):
            result[k, i] = x[i, k]
