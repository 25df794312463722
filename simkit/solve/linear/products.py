"""Products of dense panels: the one operation that costs, -L D L^T of some columns of a front.

Where a block's L stands: rows in eights, each eight a panel of `pivots` columns one after another
(row i, column k at 8 (i // 8) pivots + 8 k + i % 8). The pivots' own rows come first, filled up
with zero rows to a multiple of eight, then the border's, filled up likewise. So every product and
substitution reads L as one stream, in the order it stands.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.kernels.simd import address, load8, same8, store8, times8
from simkit.solve.linear.tiles import (
    TILE_COLUMNS,
    TILE_PANELS,
    tile_add,
    tile_add_narrow,
    tile_set,
    tile_set_narrow,
)

DEEP = 256  # columns of L taken at once: eight rows of them fit the first cache beside a tile's
TALL = 32  # panels of L taken at once: 256 rows of 256 columns fit the second cache
ROW = 64  # bytes of eight floats


@njit(cache=True, nogil=True)
def negative_scaled(
    panel: np.ndarray, at: int, d: np.ndarray, low: int, high: int, to: np.ndarray
) -> None:
    """Set eight rows of -L D for columns low to high - 1, from the panel that starts at `at`."""
    source, into = address(panel) + 8 * at, address(to)
    for k in range(low, high):
        value = times8(load8(source + ROW * k), same8(-d[k]))
        store8(into + ROW * (k - low), value)


@njit(cache=True, nogil=True)
def add_products(
    panel: np.ndarray,
    start: int,
    pivots: int,
    d: np.ndarray,
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
    """C += -L D L^T over pivots low to high - 1, on and below the diagonal, eights of columns.

    Columns are those of row panels `first` to `last` - 1, rows those of panels up to `panels`.
    `c0` is the address where C would have row 0 and column 0; its columns hold `rows` floats.
    Where not `keep`, C is set instead. `b` is scratch of 8 DEEP floats.
    """
    p0 = address(panel) + 8 * start
    b0 = address(b)
    step = ROW * pivots
    for k in range(low, high, DEEP):
        depth = min(DEEP, high - k)
        add = keep or k > low
        for top in range(first, panels, TALL):
            bottom = min(top + TALL, panels)
            for c in range(first, min(last, bottom)):
                negative_scaled(panel, start + 8 * pivots * c, d, k, k + depth, b)
                for half in range(0, 8, TILE_COLUMNS):
                    column = c0 + 8 * rows * (8 * c + half)
                    r = max(top, c)
                    while r < bottom:
                        a = p0 + step * r + ROW * k
                        to = column + ROW * r
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
