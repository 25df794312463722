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
    ROW_BYTES,
    add8,
    address,
    broadcast8,
    broadcast_load8,
    fma8,
    load8,
    multiply8,
    prefetch,
    store8,
    subtract8,
)
from simkit.solve.linear.symbolic import Tree
from simkit.solve.linear.tiles import forward_corner8, row_sums8


@njit(cache=True, nogil=True)
def _store_product(a: int, y: int, count: int, to: int) -> None:
    """Write A y for a panel of eight rows at address a, and y (count,).

    Four independent sums, so that the additions need not wait for each other.
    """
    zero = broadcast8(0.0)
    s0, s1, s2, s3 = zero, zero, zero, zero
    fours = count - count % 4
    for k in range(0, fours, 4):
        ahead = a + ROW_BYTES * k + PREFETCH_BYTES
        prefetch(ahead)
        prefetch(ahead + ROW_BYTES)
        prefetch(ahead + 2 * ROW_BYTES)
        prefetch(ahead + 3 * ROW_BYTES)
        s0 = fma8(load8(a + ROW_BYTES * k), broadcast_load8(y + 8 * k), s0)
        s1 = fma8(load8(a + ROW_BYTES * k + ROW_BYTES), broadcast_load8(y + 8 * k + 8), s1)
        s2 = fma8(load8(a + ROW_BYTES * k + 2 * ROW_BYTES), broadcast_load8(y + 8 * k + 16), s2)
        s3 = fma8(load8(a + ROW_BYTES * k + 3 * ROW_BYTES), broadcast_load8(y + 8 * k + 24), s3)
    for k in range(fours, count):
        s0 = fma8(load8(a + ROW_BYTES * k), broadcast_load8(y + 8 * k), s0)
    store8(to, add8(add8(s0, s1), add8(s2, s3)))


@njit(cache=True, nogil=True)
def _add_transposed(a: int, y: int, count: int, to: int) -> None:
    """Add the products of A^T y to (count, 8) sums, one lane for each row of the panel at a.

    The eight lanes are summed once at the end (`row_sums8`) instead of for each panel.
    """
    rows = load8(y)
    for k in range(count):
        at = ROW_BYTES * k
        store8(to + at, fma8(load8(a + at), rows, load8(to + at)))


@njit(cache=True, nogil=True)
def _add_four_transposed(a: int, step: int, y: int, count: int, to: int) -> None:
    """Do the same for four panels, `step` bytes apart, with consecutive rows of y."""
    y0, y1 = load8(y), load8(y + ROW_BYTES)
    y2, y3 = load8(y + 2 * ROW_BYTES), load8(y + 3 * ROW_BYTES)
    b, c, d = a + step, a + 2 * step, a + 3 * step
    for k in range(count):
        at = ROW_BYTES * k
        ahead = at + 4 * step
        prefetch(a + ahead)
        prefetch(b + ahead)
        prefetch(c + ahead)
        prefetch(d + ahead)
        one = fma8(load8(a + at), y0, load8(to + at))
        two = multiply8(load8(b + at), y1)
        one = fma8(load8(c + at), y2, one)
        two = fma8(load8(d + at), y3, two)
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
    f0, panel0 = address(front), address(panel)
    for s in supernodes:
        pivots = first[s + 1] - first[s]
        places = slot[border_ptr[s] : border_ptr[s + 1]]
        own = (pivots + 7) // 8 * 8
        p0 = panel0 + 8 * panel_ptr[s]
        mine = x[first[s] : first[s + 1]]
        part0, part = f0 + 8 * own, front[own : own + 8]
        for i in range(pivots):
            front[i] = mine[i]
        front[pivots:own] = 0.0
        for r in range(own // 8):
            at, a = f0 + ROW_BYTES * r, p0 + ROW_BYTES * r * pivots
            _store_product(a, f0, 8 * r, part0)
            value = subtract8(load8(at), load8(part0))
            # in a last corner of fewer than eight columns, the further columns read are multiplied
            # by zeros of the front
            store8(at, forward_corner8(a + ROW_BYTES * 8 * r, value))
        for i in range(pivots):
            mine[i] = front[i]
        for r in range((places.size + 7) // 8):
            at = 8 * r
            _store_product(p0 + ROW_BYTES * (own // 8 + r) * pivots, f0, pivots, part0)
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
    f0, panel0 = address(front), address(panel)
    for supernode in range(supernodes.size - 1, -1, -1):
        s = supernodes[supernode]
        pivots = first[s + 1] - first[s]
        places = border[border_ptr[s] : border_ptr[s + 1]]
        own = (pivots + 7) // 8 * 8
        rows = own + (places.size + 7) // 8 * 8
        p0, sums0 = panel0 + 8 * panel_ptr[s], f0 + 8 * rows
        mine, scale = x[first[s] : first[s + 1]], d[first[s] : first[s + 1]]
        for i in range(places.size):
            front[own + i] = x[places[i]]
        front[own + places.size : rows + 8 * own] = 0.0  # the last eight, and the sums
        panels = rows // 8
        r = own // 8
        while (panels - r) % 4 != 0:
            _add_transposed(p0 + ROW_BYTES * r * pivots, f0 + ROW_BYTES * r, pivots, sums0)
            r += 1
        while r < panels:
            a = p0 + ROW_BYTES * r * pivots
            _add_four_transposed(a, ROW_BYTES * pivots, f0 + ROW_BYTES * r, pivots, sums0)
            r += 4
        for i in range(pivots):
            front[i] = mine[i] / scale[i]
        front[pivots:own] = 0.0
        for r in range(own // 8 - 1, -1, -1):
            j = 8 * r
            at = f0 + ROW_BYTES * r
            store8(at, subtract8(load8(at), row_sums8(sums0 + ROW_BYTES * j)))
            corner = panel_ptr[s] + 8 * r * pivots + 8 * j
            width = min(8, pivots - j)
            for c in range(width - 2, -1, -1):
                value = front[j + c]
                for i in range(width - 1, c, -1):  # the value computed last is used last
                    value -= panel[corner + 8 * c + i] * front[j + i]
                front[j + c] = value
            _add_transposed(p0 + ROW_BYTES * r * pivots, at, j, sums0)
        for i in range(pivots):
            mine[i] = front[i]
