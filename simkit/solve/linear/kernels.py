"""Numeric multifrontal LDL^T: gather a front, eliminate its pivots, hand on its update.

Duff and Reid 1983 (multifrontal), in dense fronts with BLAS 3; both MEMORY. Arrays named as in
`symbolic.Tree`. A panel holds the pivot columns of a front (column-major, pivots above border);
after elimination it holds L, unit lower in its top square. An update is the lower triangle of a
border x border square. Only lower triangles are read; what stands above is left to chance.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.solve.linear.blas import GEMM, dgemm

NARROW = 16  # columns eliminated at once
WIDE = 32  # columns of an update computed at once; half a square of this size is wasted
N, T = ord("N"), ord("T")
TINY = 1e-13  # pivot, relative to the values of its block, below which it counts as zero
LIFT = 1e-8  # what such a pivot is lifted to where perturbation is allowed


@njit(cache=True, nogil=True)
def factor_diagonal(
    panel: np.ndarray,
    start: int,
    rows: int,
    width: int,
    d: np.ndarray,
    scale: float,
    perturb: bool,
    inverse: np.ndarray,
) -> tuple[int, int]:
    """Factor a width x width diagonal square in place and invert its unit lower triangle.

    The square begins at panel[start], leading dimension `rows`; `inverse` is column-major with
    leading dimension NARROW, zero above its diagonal. Returns the first column whose pivot
    cannot be used, or -1, and how many pivots were lifted.
    """
    lifted = 0
    for k in range(width):
        ck = start + k * rows
        pivot = panel[ck + k]
        if not abs(pivot) > TINY * scale:
            if not perturb or not abs(pivot) <= TINY * scale or scale == 0.0:
                return k, lifted
            pivot = -LIFT * scale if pivot < 0.0 else LIFT * scale
            lifted += 1
        d[k] = pivot
        panel[ck + k] = 1.0
        reciprocal = 1.0 / pivot
        for j in range(k + 1, width):
            cj = start + j * rows
            factor = panel[ck + j] * reciprocal
            for i in range(j, width):
                panel[cj + i] -= factor * panel[ck + i]
        for i in range(k + 1, width):
            panel[ck + i] *= reciprocal
    for k in range(width):
        ik = k * NARROW
        for i in range(width):
            inverse[ik + i] = 0.0
        inverse[ik + k] = 1.0
        for j in range(k, width):
            value = inverse[ik + j]
            cj = start + j * rows
            for i in range(j + 1, width):
                inverse[ik + i] -= value * panel[cj + i]
    return -1, lifted


@njit(cache=True, nogil=True)
def _scale(
    scaled: np.ndarray, panel: np.ndarray, at: int, start: int, length: int, factor: float
) -> None:
    """Set a stretch of L D from the same stretch of L."""
    into, values = scaled[at : at + length], panel[start + at : start + at + length]
    for i in range(length):
        into[i] = values[i] * factor


@njit(cache=True, nogil=True)
def _unscale(
    panel: np.ndarray, scaled: np.ndarray, at: int, start: int, length: int, factor: float
) -> None:
    """Set a stretch of L from the same stretch of L D."""
    into, values = panel[start + at : start + at + length], scaled[at : at + length]
    for i in range(length):
        into[i] = values[i] * factor


@njit(cache=True, nogil=True)
def factor_panel(
    panel: np.ndarray,
    start: int,
    rows: int,
    pivots: int,
    d: np.ndarray,
    scale: float,
    perturb: bool,
    scaled: np.ndarray,
    inverse: np.ndarray,
    blas: np.ndarray,
) -> tuple[int, int]:
    """Eliminate the pivots of a panel (rows x pivots); `scaled` receives L D, same shape.

    Left-looking by NARROW columns. Returns (bad column or -1, pivots lifted).
    """
    gemm = blas[GEMM]
    p0 = panel.ctypes.data + 8 * start
    w0 = scaled.ctypes.data
    inv0 = inverse.ctypes.data
    lifted = 0
    for j in range(0, pivots, NARROW):
        width = min(NARROW, pivots - j)
        corner = j * rows + j
        if j > 0:
            dgemm(
                gemm, N, T, rows - j, width, j, -1.0,
                p0 + 8 * j, rows, w0 + 8 * j, rows, 1.0, p0 + 8 * corner, rows,
            )
        bad, more = factor_diagonal(
            panel, start + corner, rows, width, d[j:], scale, perturb, inverse
        )
        lifted += more
        if bad >= 0:
            return j + bad, lifted
        for k in range(width):
            _scale(scaled, panel, corner + k * rows + k, start, width - k, d[j + k])
        rest = rows - j - width
        if rest > 0:
            below = corner + width
            dgemm(
                gemm, N, T, rest, width, width, 1.0,
                p0 + 8 * below, rows, inv0, NARROW, 0.0, w0 + 8 * below, rows,
            )
            for k in range(width):
                _unscale(panel, scaled, below + k * rows, start, rest, 1.0 / d[j + k])
    return -1, lifted


@njit(cache=True, nogil=True)
def form_update(
    panel: np.ndarray,
    start: int,
    rows: int,
    pivots: int,
    scaled: np.ndarray,
    updates: np.ndarray,
    place: int,
    blas: np.ndarray,
) -> None:
    """Write -L D L^T of the border rows to the update at updates[place]."""
    gemm = blas[GEMM]
    p0 = panel.ctypes.data + 8 * (start + pivots)
    w0 = scaled.ctypes.data + 8 * pivots
    u0 = updates.ctypes.data + 8 * place
    border = rows - pivots
    for c in range(0, border, WIDE):
        width = min(WIDE, border - c)
        dgemm(
            gemm, N, T, border - c, width, pivots, -1.0,
            p0 + 8 * c, rows, w0 + 8 * c, rows, 0.0, u0 + 8 * (c * border + c), border,
        )


@njit(cache=True, nogil=True)
def _add(target: np.ndarray, to: int, source: np.ndarray, at: int, length: int) -> None:
    """Add a stretch of numbers. Loops over slices from 0 vectorise, offsets in the index do not."""
    into, values = target[to : to + length], source[at : at + length]
    for i in range(length):
        into[i] += values[i]


@njit(cache=True, nogil=True)
def add_to_parent(
    update: np.ndarray,
    border: int,
    runs: np.ndarray,
    target: np.ndarray,
    start: int,
    rows: int,
    low: int,
    high: int,
) -> None:
    """Add the columns of an update that fall on front columns low to high - 1.

    Entry (i, j) of the front stands at target[start + (j - low) * rows + i]; for the border's
    own square, whose rows begin at low, `start` is passed smaller by low.
    """
    for a in range(runs.shape[0]):
        from_c, to_c, length = runs[a, 0], runs[a, 1], runs[a, 2]
        if to_c < low or to_c >= high:
            continue
        for j in range(length):
            column = (from_c + j) * border
            into = start + (to_c + j - low) * rows
            _add(target, into + to_c + j, update, column + from_c + j, length - j)
            for b in range(a + 1, runs.shape[0]):
                _add(target, into + runs[b, 1], update, column + runs[b, 0], runs[b, 2])


@njit(cache=True, nogil=True)
def gather_values(
    data: np.ndarray,
    entry_from: np.ndarray,
    entry_to: np.ndarray,
    low: int,
    high: int,
    panel: np.ndarray,
    start: int,
) -> float:
    """Put the values of a block into its panel; return the largest in magnitude."""
    largest = 0.0
    block = panel[start:]
    for e in range(low, high):
        value = data[entry_from[e]]
        block[entry_to[e]] = value
        largest = max(largest, abs(value))
    return largest


@njit(cache=True, nogil=True)
def factor_blocks(
    blocks: np.ndarray,
    data: np.ndarray,
    first: np.ndarray,
    child_ptr: np.ndarray,
    child: np.ndarray,
    border_ptr: np.ndarray,
    run_ptr: np.ndarray,
    runs: np.ndarray,
    entry_ptr: np.ndarray,
    entry_from: np.ndarray,
    entry_to: np.ndarray,
    panel_ptr: np.ndarray,
    place: np.ndarray,
    panel: np.ndarray,
    updates: np.ndarray,
    d: np.ndarray,
    lifted: np.ndarray,
    scaled: np.ndarray,
    inverse: np.ndarray,
    perturb: bool,
    blas: np.ndarray,
) -> int:
    """Factor these blocks in turn; return the position of an unusable pivot, or -1.

    `place` is the start of each block's update; `lifted` counts lifted pivots by block. The
    update first gets the block's own part, then its children's: it need not be zeroed.
    """
    for s in blocks:
        pivots = first[s + 1] - first[s]
        border = border_ptr[s + 1] - border_ptr[s]
        rows = pivots + border
        start = panel_ptr[s]
        panel[start : start + rows * pivots] = 0.0
        scale = gather_values(
            data, entry_from, entry_to, entry_ptr[s], entry_ptr[s + 1], panel, start
        )
        for k in range(child_ptr[s], child_ptr[s + 1]):
            c = child[k]
            add_to_parent(
                updates[place[c] :], border_ptr[c + 1] - border_ptr[c],
                runs[run_ptr[c] : run_ptr[c + 1]], panel, start, rows, 0, pivots,
            )
        bad, lifted[s] = factor_panel(
            panel, start, rows, pivots, d[first[s] :], scale, perturb, scaled, inverse, blas
        )
        if bad >= 0:
            return first[s] + bad
        if border == 0:
            continue
        form_update(panel, start, rows, pivots, scaled, updates, place[s], blas)
        for k in range(child_ptr[s], child_ptr[s + 1]):
            c = child[k]
            add_to_parent(
                updates[place[c] :], border_ptr[c + 1] - border_ptr[c],
                runs[run_ptr[c] : run_ptr[c + 1]], updates, place[s] - pivots, border,
                pivots, rows,
            )
    return -1


@njit(cache=True)
def changed_blocks(
    old: np.ndarray, new: np.ndarray, entry_ptr: np.ndarray, entry_from: np.ndarray
) -> np.ndarray:
    """Return a mask of the blocks in which any value differs."""
    result = np.zeros(entry_ptr.size - 1, np.bool_)
    for s in range(result.size):
        for e in range(entry_ptr[s], entry_ptr[s + 1]):
            if old[entry_from[e]] != new[entry_from[e]]:
                result[s] = True
                break
    return result


@njit(cache=True)
def reached_blocks(parent: np.ndarray, keeper: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Return a mask of the blocks to factor again where `own` blocks hold new values.

    All blocks above a change, and all below whose updates were not kept for them.
    """
    result = own.copy()
    for s in range(parent.size):
        if result[s] and parent[s] >= 0:
            result[parent[s]] = True
    for s in range(parent.size - 1, -1, -1):
        if keeper[s] != s and result[parent[s]]:
            result[s] = True
    return result
