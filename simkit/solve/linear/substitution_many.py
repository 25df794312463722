"""Forward and backward substitution for up to eight right-hand sides at once.

x (n, 8) holds the right-hand sides row by row in the order of elimination, so that every number of
L is read once and used for all of them. Blocks and fronts as in `substitution`, with eight floats
for each row.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.kernels.simd import (
    address,
    broadcast8_of,
    broadcast_load8_of,
    fnma8,
    load8_of,
    multiply8,
    size_of_real,
    store8,
    subtract8,
)
from simkit.solve.linear.blocks import add_transposed8, rows_times8
from simkit.solve.linear.symbolic import Tree


@njit(cache=True, nogil=True)
def forward_many(
    supernodes: np.ndarray, x: np.ndarray, tree: Tree, slot: np.ndarray, panel: np.ndarray,
    front: np.ndarray,
) -> None:
    """Apply the inverse of L to x in place, as `substitution.forward`, in rows of eight."""
    first, border_ptr, panel_ptr = tree.first, tree.border_ptr, tree.panel_ptr
    real = panel.dtype.type(0)
    each = size_of_real(real)
    row = 8 * each
    panel0, x0 = address(panel), address(x)
    part = address(front)
    for s in supernodes:
        pivots = first[s + 1] - first[s]
        own = (pivots + 7) // 8
        p0, mine = panel0 + each * panel_ptr[s], x0 + row * first[s]
        for r in range(own):
            j = 8 * r
            a = p0 + row * r * pivots
            rows_times8(real, a, mine, j, part)
            for i in range(min(8, pivots - j)):
                at = mine + row * (j + i)
                value = subtract8(load8_of(real, at), load8_of(real, part + row * i))
                for c in range(i):
                    factor = broadcast_load8_of(real, a + row * (j + c) + each * i)
                    value = fnma8(factor, load8_of(real, mine + row * (j + c)), value)
                store8(at, value)
        low, size = border_ptr[s], border_ptr[s + 1] - border_ptr[s]
        for r in range((size + 7) // 8):
            rows_times8(real, p0 + row * (own + r) * pivots, mine, pivots, part)
            for i in range(min(8, size - 8 * r)):
                at = x0 + row * slot[low + 8 * r + i]
                store8(at, subtract8(load8_of(real, at), load8_of(real, part + row * i)))


@njit(cache=True, nogil=True)
def backward_many(
    supernodes: np.ndarray, x: np.ndarray, tree: Tree, panel: np.ndarray, d: np.ndarray,
    front: np.ndarray,
) -> None:
    """Apply the inverse of D L^T to x (n, 8) in place, supernodes from the last."""
    first, border_ptr, border = tree.first, tree.border_ptr, tree.border
    panel_ptr = tree.panel_ptr
    real = panel.dtype.type(0)
    each = size_of_real(real)
    row = 8 * each
    panel0, x0 = address(panel), address(x)
    eight = address(front)
    sums = eight + 8 * row
    zero = broadcast8_of(real, real)
    for supernode in range(supernodes.size - 1, -1, -1):
        s = supernodes[supernode]
        pivots = first[s + 1] - first[s]
        own = (pivots + 7) // 8
        p0, mine = panel0 + each * panel_ptr[s], x0 + row * first[s]
        for k in range(pivots):
            store8(sums + row * k, zero)
        low, size = border_ptr[s], border_ptr[s + 1] - border_ptr[s]
        for r in range((size + 7) // 8):
            width = min(8, size - 8 * r)
            for i in range(width):
                store8(eight + row * i, load8_of(real, x0 + row * border[low + 8 * r + i]))
            for i in range(width, 8):
                store8(eight + row * i, zero)
            add_transposed8(real, p0 + row * (own + r) * pivots, eight, pivots, sums)
        for r in range(own - 1, -1, -1):
            j = 8 * r
            a = p0 + row * r * pivots
            width = min(8, pivots - j)
            for c in range(width - 1, -1, -1):
                at = mine + row * (j + c)
                inverse = broadcast8_of(real, 1.0 / d[first[s] + j + c])
                scaled = multiply8(load8_of(real, at), inverse)
                value = subtract8(scaled, load8_of(real, sums + row * (j + c)))
                for i in range(width - 1, c, -1):  # the value computed last is used last
                    factor = broadcast_load8_of(real, a + row * (j + c) + each * i)
                    value = fnma8(factor, load8_of(real, eight + row * i), value)
                store8(eight + row * c, value)
                store8(at, value)
            for i in range(width, 8):
                store8(eight + row * i, zero)
            add_transposed8(real, a, eight, j, sums)


@njit(cache=True, nogil=True)
def pack(x: np.ndarray, order: np.ndarray, ordered: np.ndarray) -> None:
    """Set the first rows of `ordered` to those of x (n, 8) in the order of elimination."""
    for place in range(order.size):
        for k in range(8):
            ordered[place, k] = x[order[place], k]


@njit(cache=True, nogil=True)
def unpack(ordered: np.ndarray, order: np.ndarray, x: np.ndarray) -> None:
    """Undo `pack`: set x (n, 8) in the original order."""
    for place in range(order.size):
        for k in range(8):
            x[order[place], k] = ordered[place, k]
