"""Products of dense panels, C += -L D L^T: almost all floating-point operations are spent here.

Storage of a supernode's L: blocks of eight rows, each block a panel of `pivots` columns one after
another (row i, column k at 8 (i // 8) pivots + 8 k + i % 8). The rows of the pivots come first,
filled up with zero rows to a multiple of eight, then the rows of the border, filled up in the same
way. Every product and substitution therefore reads L in the order in which it is stored.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from simkit.kernels.simd import ROW_BYTES, address, broadcast8, load8, multiply8, store8
from simkit.solve.linear.tiles import (
    TILE_COLUMNS,
    TILE_PANELS,
    tile_add,
    tile_add_narrow,
    tile_set,
    tile_set_narrow,
)

PRODUCT_COLUMNS = 256  # columns of L in one product: eight rows of them fit into the L1 cache
PRODUCT_PANELS = 32  # panels of L in one product: 256 rows of 256 columns fit into the L2 cache


class PanelOf(NamedTuple):
    """L of one supernode: `pivots` columns from panel[start] on, with the pivots d (pivots,)."""

    panel: np.ndarray
    start: int
    pivots: int
    d: np.ndarray


@njit(cache=True, nogil=True)
def negative_scaled(
    panel: np.ndarray, at: int, d: np.ndarray, low: int, high: int, to: np.ndarray
) -> None:
    """Set eight rows of -L D for columns low to high - 1, from the panel that starts at `at`."""
    source, into = address(panel) + 8 * at, address(to)
    for k in range(low, high):
        value = multiply8(load8(source + ROW_BYTES * k), broadcast8(-d[k]))
        store8(into + ROW_BYTES * (k - low), value)


@njit(cache=True, nogil=True)
def add_products(
    supernode: PanelOf,
    low: int,
    high: int,
    first: int,
    last: int,
    panels: int,
    c0: int,
    rows: int,
    keep: bool,
    b: np.ndarray,
) -> None:
    """C += -L D L^T over pivots low to high - 1, lower triangle in blocks of eight columns.

    The columns of C are the rows of L in panels `first` to `last` - 1; its rows end with panel
    `panels` - 1. `c0` is the address that row 0 and column 0 of C would have; columns are `rows`
    floats apart. Without `keep`, C is set instead of added to. `b` is scratch of
    8 PRODUCT_COLUMNS floats.
    """
    panel, start, pivots, d = supernode.panel, supernode.start, supernode.pivots, supernode.d
    p0 = address(panel) + 8 * start
    b0 = address(b)
    step = ROW_BYTES * pivots
    for k in range(low, high, PRODUCT_COLUMNS):
        depth = min(PRODUCT_COLUMNS, high - k)
        add = keep or k > low
        for top in range(first, panels, PRODUCT_PANELS):
            bottom = min(top + PRODUCT_PANELS, panels)
            for c in range(first, min(last, bottom)):
                negative_scaled(panel, start + 8 * pivots * c, d, k, k + depth, b)
                for half in range(0, 8, TILE_COLUMNS):
                    column = c0 + 8 * rows * (8 * c + half)
                    r = max(top, c)
                    while r < bottom:
                        a = p0 + step * r + ROW_BYTES * k
                        to = column + ROW_BYTES * r
                        if r + TILE_PANELS <= bottom:
                            if add:
                                tile_add(a, step, b0 + 8 * half, depth, to, 8 * rows)
                            else:
                                tile_set(a, step, b0 + 8 * half, depth, to, 8 * rows)
                            r += TILE_PANELS
                        else:
                            if add:
                                tile_add_narrow(a, step, b0 + 8 * half, depth, to, 8 * rows)
                            else:
                                tile_set_narrow(a, step, b0 + 8 * half, depth, to, 8 * rows)
                            r += 1
