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

from simkit.kernels.simd import (
    address,
    broadcast8_of,
    load8_of,
    multiply8,
    size_of_real,
    store8,
)
from simkit.solve.linear.tiles import (
    TILE_COLUMNS,
    tile_add,
    tile_add_narrow,
    tile_panels,
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
    real = panel.dtype.type(0)
    size = size_of_real(real)
    source, into = address(panel) + size * at, address(to)
    for k in range(low, high):
        value = multiply8(load8_of(real, source + 8 * size * k), broadcast8_of(real, -d[k]))
        store8(into + 8 * size * (k - low), value)


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
    real = panel.dtype.type(0)
    size, wide = size_of_real(real), tile_panels(real)
    row = 8 * size
    p0 = address(panel) + size * start
    b0 = address(b)
    step = row * pivots
    for k in range(low, high, PRODUCT_COLUMNS):
        depth = min(PRODUCT_COLUMNS, high - k)
        add = keep or k > low
        for top in range(first, panels, PRODUCT_PANELS):
            bottom = min(top + PRODUCT_PANELS, panels)
            for c in range(first, min(last, bottom)):
                negative_scaled(panel, start + 8 * pivots * c, d, k, k + depth, b)
                for half in range(0, 8, TILE_COLUMNS):
                    column = c0 + size * rows * (8 * c + half)
                    part = b0 + size * half
                    r = max(top, c)
                    while r < bottom:
                        a = p0 + step * r + row * k
                        to = column + row * r
                        if r + wide <= bottom:
                            if add:
                                tile_add(real, a, step, part, depth, to, size * rows)
                            else:
                                tile_set(real, a, step, part, depth, to, size * rows)
                            r += wide
                        else:
                            if add:
                                tile_add_narrow(real, a, step, part, depth, to, size * rows)
                            else:
                                tile_set_narrow(real, a, step, part, depth, to, size * rows)
                            r += 1
