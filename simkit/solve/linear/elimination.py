"""Dense LDL^T of the pivot columns of one front, with pivots on the diagonal only.

Left-looking in blocks of eight columns: the contributions of earlier columns are subtracted, the
8 x 8 corner is factored in registers, and the rows below it are finished and written to their
panel (storage as described in `products`). After every PANEL_PIVOTS pivots the trailing columns are
updated in one product.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.kernels.simd import address, size_of_real
from simkit.solve.linear.blocks import factor_corner8
from simkit.solve.linear.products import PRODUCT_COLUMNS, PanelOf, add_products, negative_scaled
from simkit.solve.linear.tiles import (
    MOST_PANELS,
    TILE_COLUMNS,
    finish_rows,
    finish_rows_narrow,
    tile_add_narrow,
    tile_panels,
)

PANEL_PIVOTS = 64  # pivots eliminated before trailing columns are updated
SMALLEST_PIVOT = 1e-13  # share of the supernode's largest value below which a pivot is zero
PERTURBED_PIVOT = 1e-8  # share of it that replaces such a pivot where perturbation is allowed
# offsets in the scratch array: L of a corner (64 floats), reciprocals of its pivots (8), rows
# finished beside a corner of fewer than eight columns, rows of -L D
RECIPROCAL_AT, NARROW_AT = 64, 72
PRODUCTS_AT = NARROW_AT + 64 * MOST_PANELS
SCRATCH_FLOATS = PRODUCTS_AT + 8 * PRODUCT_COLUMNS


@njit(cache=True, nogil=True)
def factor_corner(
    front: np.ndarray,
    at: int,
    rows: int,
    width: int,
    d: np.ndarray,
    scale: float,
    perturb: bool,
    unit: np.ndarray,
    reciprocal: np.ndarray,
) -> tuple[int, int]:
    """Factor the width x width square at front[at], width at most 8, leading dimension `rows`.

    `unit` (64,) receives L column-major without its diagonal, zero on and above it and beyond
    `width`; `reciprocal` (8,) that of the pivots `d`, 1 beyond. Returns the first column whose
    pivot cannot be used, or -1, and how many pivots were perturbed.
    """
    real = front.dtype.type(0)
    size = size_of_real(real)
    if width == 8:
        factor_corner8(real, address(front) + size * at, size * rows, address(unit), address(d),
                       address(reciprocal))
        good = True
        for k in range(8):
            good &= abs(d[k]) > SMALLEST_PIVOT * scale
        if good:
            return -1, 0
    return _factor_corner_with_care(front, at, rows, width, d, scale, perturb, unit, reciprocal)


@njit(cache=True, nogil=True)
def _factor_corner_with_care(
    front: np.ndarray,
    at: int,
    rows: int,
    width: int,
    d: np.ndarray,
    scale: float,
    perturb: bool,
    unit: np.ndarray,
    reciprocal: np.ndarray,
) -> tuple[int, int]:
    """Do the work of `factor_corner` with a check of every pivot; the square is overwritten."""
    perturbed = 0
    unit[:64] = 0.0
    for k in range(width, 8):
        reciprocal[k] = 1.0
    for k in range(width):
        ck = at + k * rows
        pivot = front[ck + k]
        if not abs(pivot) > SMALLEST_PIVOT * scale:
            # the second condition is true for NaN, which no perturbation can mend
            if not perturb or not abs(pivot) <= SMALLEST_PIVOT * scale or scale == 0.0:
                return k, perturbed
            pivot = -PERTURBED_PIVOT * scale if pivot < 0.0 else PERTURBED_PIVOT * scale
            perturbed += 1
        d[k] = pivot
        reciprocal[k] = 1.0 / pivot
        for j in range(k + 1, width):
            unit[8 * k + j] = front[ck + j] * reciprocal[k]
        for j in range(k + 1, width):
            cj = at + j * rows
            for i in range(j, width):
                front[cj + i] -= unit[8 * k + j] * front[ck + i]
    return -1, perturbed


@njit(cache=True, nogil=True)
def _finish_below(
    panel: np.ndarray,
    start: int,
    rows: int,
    pivots: int,
    front: np.ndarray,
    c: int,
    wide: int,
    scratch: np.ndarray,
) -> None:
    """Finish the rows below corner c: subtract the columns from `wide` on, solve, scale, store.

    Earlier columns, before `wide`, have been subtracted by `add_products`.
    """
    real = panel.dtype.type(0)
    size, wide_tile = size_of_real(real), tile_panels(real)
    p0, f0, s0 = address(panel) + size * start, address(front), address(scratch)
    j = 8 * c
    width, depth = min(8, pivots - j), j - wide
    step, f_step = 8 * size * pivots, size * rows
    unit, reciprocal = s0, s0 + size * RECIPROCAL_AT
    last, b = s0 + size * NARROW_AT, s0 + size * PRODUCTS_AT
    panels = rows // 8
    r = c + 1
    while r < panels:
        a, source = p0 + step * r + 8 * size * wide, f0 + f_step * j + 8 * size * r
        to, to_step = p0 + step * r + 8 * size * j, step
        if width < 8:  # the panel has no columns for the rest of the block: write to scratch first
            to, to_step = last, 64 * size
        many = wide_tile if r + wide_tile <= panels else 1
        if many > 1 or wide_tile == 1:
            finish_rows(real, a, step, b, depth, source, f_step, unit, reciprocal, to, to_step)
        else:
            finish_rows_narrow(real, a, step, b, depth, source, f_step, unit, reciprocal, to,
                               to_step)
        if width < 8:
            for p in range(many):
                into = start + 8 * pivots * (r + p) + 8 * j
                for k in range(8 * width):
                    panel[into + k] = scratch[NARROW_AT + 64 * p + k]
        r += many


@njit(cache=True, nogil=True)
def factor_panel(
    panel: np.ndarray,
    start: int,
    rows: int,
    pivots: int,
    front: np.ndarray,
    d: np.ndarray,
    scale: float,
    perturb: bool,
    scratch: np.ndarray,
) -> tuple[int, int]:
    """Eliminate the pivots of a front; L is written from panel[start] on.

    `front` is rows x (pivots rounded up to eights), column-major; it is overwritten. `scratch`
    holds SCRATCH_FLOATS floats. Returns (column of an unusable pivot or -1, pivots perturbed).
    """
    unit, reciprocal = scratch[:RECIPROCAL_AT], scratch[RECIPROCAL_AT:NARROW_AT]
    b = scratch[PRODUCTS_AT:]
    real = panel.dtype.type(0)
    size = size_of_real(real)
    f0, p0, b0 = address(front), address(panel) + size * start, address(b)
    panels, pivot_panels = rows // 8, (pivots + 7) // 8
    step, f_step = 8 * size * pivots, size * rows
    perturbed, supernode = 0, PanelOf(panel, start, pivots, d)
    for c in range(pivot_panels):
        j = 8 * c
        width = min(8, pivots - j)
        wide = j // PANEL_PIVOTS * PANEL_PIVOTS
        if j == wide and j > 0:  # update the next PANEL_PIVOTS columns with all earlier pivots
            end = min(c + PANEL_PIVOTS // 8, pivot_panels)
            add_products(supernode, 0, j, c, end, panels, f0, rows, True, b)
        elif j > wide:
            negative_scaled(panel, start + c * 8 * pivots, d, wide, j, b)
            for half in range(0, 8, TILE_COLUMNS):
                tile_add_narrow(
                    real, p0 + step * c + 8 * size * wide, step, b0 + size * half, j - wide,
                    f0 + f_step * (j + half) + size * j, f_step,
                )
        bad, more = factor_corner(
            front, j * rows + j, rows, width, d[j:], scale, perturb, unit, reciprocal
        )
        perturbed += more
        if bad >= 0:
            return j + bad, perturbed
        corner = start + 8 * pivots * c + 8 * j
        for k in range(8 * width):
            panel[corner + k] = unit[k]
        _finish_below(panel, start, rows, pivots, front, c, wide, scratch)
    return -1, perturbed
