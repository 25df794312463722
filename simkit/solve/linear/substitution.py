"""Forward and backward substitution for one right-hand side through the panels of an LDL^T.

Each supernode copies its part of x to a front (rows as in `products`), reads its panel once from
beginning to end, and adds its border rows back to x. The time of one right-hand side is the time to
read all panels from memory.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.kernels.simd import (
    PREFETCH_BYTES,
    add8,
    address,
    broadcast8_of,
    broadcast_load8_of,
    fma8,
    load8_of,
    multiply8,
    prefetch,
    size_of_real,
    store8,
    subtract8,
)
from simkit.solve.linear.blocks import forward_corner8, row_sums8
from simkit.solve.linear.symbolic import Tree


@njit(cache=True, nogil=True)
def _store_product(real: float, a: int, y: int, count: int, to: int) -> None:
    """Write A y for a panel of eight rows at address a, and y (count,).

    Four independent sums, so that the additions need not wait for each other.
    """
    zero = broadcast8_of(real, real)
    size = size_of_real(real)
    row = 8 * size
    s0, s1, s2, s3 = zero, zero, zero, zero
    fours = count - count % 4
    for k in range(0, fours, 4):
        at, y_at = a + row * k, y + size * k
        prefetch(at + PREFETCH_BYTES)
        prefetch(at + PREFETCH_BYTES + row)
        prefetch(at + PREFETCH_BYTES + 2 * row)
        prefetch(at + PREFETCH_BYTES + 3 * row)
        s0 = fma8(load8_of(real, at), broadcast_load8_of(real, y_at), s0)
        s1 = fma8(load8_of(real, at + row), broadcast_load8_of(real, y_at + size), s1)
        s2 = fma8(load8_of(real, at + 2 * row), broadcast_load8_of(real, y_at + 2 * size), s2)
        s3 = fma8(load8_of(real, at + 3 * row), broadcast_load8_of(real, y_at + 3 * size), s3)
    for k in range(fours, count):
        s0 = fma8(load8_of(real, a + row * k), broadcast_load8_of(real, y + size * k), s0)
    store8(to, add8(add8(s0, s1), add8(s2, s3)))


@njit(cache=True, nogil=True)
def _add_transposed(real: float, a: int, y: int, count: int, to: int) -> None:
    """Add the products of A^T y to (count, 8) sums, one lane for each row of the panel at a.

    The eight lanes are summed once at the end (`row_sums8`) instead of for each panel.
    """
    rows, row = load8_of(real, y), 8 * size_of_real(real)
    for k in range(count):
        at = row * k
        store8(to + at, fma8(load8_of(real, a + at), rows, load8_of(real, to + at)))


@njit(cache=True, nogil=True)
def _add_four_transposed(
    real: float, a: int, step: int, y: int, count: int, to: int
) -> None:
    """Do the same for four panels, `step` bytes apart, with consecutive rows of y."""
    row = 8 * size_of_real(real)
    y0, y1 = load8_of(real, y), load8_of(real, y + row)
    y2, y3 = load8_of(real, y + 2 * row), load8_of(real, y + 3 * row)
    b, c, d = a + step, a + 2 * step, a + 3 * step
    for k in range(count):
        at = row * k
        ahead = at + 4 * step
        prefetch(a + ahead)
        prefetch(b + ahead)
        prefetch(c + ahead)
        prefetch(d + ahead)
        one = fma8(load8_of(real, a + at), y0, load8_of(real, to + at))
        two = multiply8(load8_of(real, b + at), y1)
        one = fma8(load8_of(real, c + at), y2, one)
        two = fma8(load8_of(real, d + at), y3, two)
        store8(to + at, add8(one, two))


@njit(cache=True, nogil=True)
def forward(
    supernodes: np.ndarray, x: np.ndarray, tree: Tree, slot: np.ndarray, panel: np.ndarray,
    front: np.ndarray,
) -> None:
    """Apply the inverse of L to x in place, supernodes increasing; `front` is scratch.

    x holds n numbers and then the places of `plan.Plan`, where `slot` may point.
    """
    first, border_ptr, panel_ptr = tree.first, tree.border_ptr, tree.panel_ptr
    real = panel.dtype.type(0)
    size = size_of_real(real)
    row = 8 * size
    f0, panel0 = address(front), address(panel)
    for s in supernodes:
        pivots = first[s + 1] - first[s]
        places = slot[border_ptr[s] : border_ptr[s + 1]]
        own = (pivots + 7) // 8 * 8
        p0 = panel0 + size * panel_ptr[s]
        mine = x[first[s] : first[s + 1]]
        part0, part = f0 + size * own, front[own : own + 8]
        for i in range(pivots):
            front[i] = mine[i]
        front[pivots:own] = 0.0
        for r in range(own // 8):
            at, a = f0 + row * r, p0 + row * r * pivots
            _store_product(real, a, f0, 8 * r, part0)
            value = subtract8(load8_of(real, at), load8_of(real, part0))
            # in a last corner of fewer than eight columns, the further columns read are multiplied
            # by zeros of the front
            store8(at, forward_corner8(a + row * 8 * r, value))
        for i in range(pivots):
            mine[i] = front[i]
        for r in range((places.size + 7) // 8):
            at = 8 * r
            _store_product(real, p0 + row * (own // 8 + r) * pivots, f0, pivots, part0)
            for i in range(min(8, places.size - at)):
                x[places[at + i]] -= part[i]


@njit(cache=True, nogil=True)
def backward(
    supernodes: np.ndarray, x: np.ndarray, tree: Tree, panel: np.ndarray, d: np.ndarray,
    front: np.ndarray,
) -> None:
    """Apply the inverse of D L^T to x (n,) in place, last supernode first; `front` is scratch."""
    first, border_ptr, border = tree.first, tree.border_ptr, tree.border
    panel_ptr = tree.panel_ptr
    real = panel.dtype.type(0)
    size = size_of_real(real)
    row = 8 * size
    f0, panel0 = address(front), address(panel)
    for supernode in range(supernodes.size - 1, -1, -1):
        s = supernodes[supernode]
        pivots = first[s + 1] - first[s]
        places = border[border_ptr[s] : border_ptr[s + 1]]
        own = (pivots + 7) // 8 * 8
        rows = own + (places.size + 7) // 8 * 8
        p0, sums0 = panel0 + size * panel_ptr[s], f0 + size * rows
        mine, scale = x[first[s] : first[s + 1]], d[first[s] : first[s + 1]]
        for i in range(places.size):
            front[own + i] = x[places[i]]
        front[own + places.size : rows + 8 * own] = 0.0  # the last eight, and the sums
        panels = rows // 8
        r = own // 8
        while (panels - r) % 4 != 0:
            _add_transposed(real, p0 + row * r * pivots, f0 + row * r, pivots, sums0)
            r += 1
        while r < panels:
            a = p0 + row * r * pivots
            _add_four_transposed(real, a, row * pivots, f0 + row * r, pivots, sums0)
            r += 4
        for i in range(pivots):
            front[i] = mine[i] / scale[i]
        front[pivots:own] = 0.0
        for r in range(own // 8 - 1, -1, -1):
            j = 8 * r
            at = f0 + row * r
            store8(at, subtract8(load8_of(real, at), row_sums8(real, sums0 + row * j)))
            corner = panel_ptr[s] + 8 * r * pivots + 8 * j
            width = min(8, pivots - j)
            for c in range(width - 2, -1, -1):
                value = front[j + c]
                for i in range(width - 1, c, -1):  # the value computed last is used last
                    value -= panel[corner + 8 * c + i] * front[j + i]
                front[j + c] = value
            _add_transposed(real, p0 + row * r * pivots, at, j, sums0)
        for i in range(pivots):
            mine[i] = front[i]
