"""Rows of scratch of a bundle and products of them."""

from __future__ import annotations

import numba as nb
import numpy as np

from simkit.shell.bundle.vectors import row

ENTRIES = 384
"""Rows of a bundle's tangents: 378 upper entries, filled up to eights."""
(SHAPE, PLACE, EM, KB, UP, DUAL, METRIC, CON, FRAME, STRAIN, CURVE, AREA, RES, STIFF, T, C, LOG,
 PART, FLOW, ACTIVE, TURN, NODE, CONTROL, VEC, GROW, MAT, SEC, AV, BG, DG, SECOND, CROSS, SPREAD,
 MARK, STORED, SPENT, PAST, TRIAL, XI, XI_U, MISES, SLOPE, NEW, SPOT, ROWS) = (
 int(k) for k in np.cumsum(
    [0, 45, 15, 3, 3, 3, 6, 3, 6, 9, 3, 3, 1, 6, 18, 3, 6, 3, 6, 1, 1, 15, 27, 27, 18, 15, 90, 6,
     18, 15, 15, 6, 12, 45, 1, 1, 1, 7, 3, 3, 3, 1, 1, 11, 1]))
"""First rows of scratch: N_I,a; y; strains; bending strains; a3, dual base and its metric (11, 22,
12); connection; reference frame; membrane strain and n, curvature and m (11, 22, 12); area;
resultants; A, B, D; stress, its tangent, logarithmic strain, series, yielding; lanes at work;
force factors; forces; control points; V; G; M; S; A V; B G; D G; c; V'BG; M spread over one control
point; marks; energies; of a return mapping: state before, trial stress, xi and its rate, their
size, state after, interval of a table."""


@nb.njit(cache=True, inline="always")
def dot(w, a, b):
    """Inner product of two vectors of three rows."""
    return row(w, a) * row(w, b) + row(w, a + 1) * row(w, b + 1) + row(w, a + 2) * row(w, b + 2)


@nb.njit(cache=True, inline="always")
def down(w, a, step, b, stride):
    """Sum of three products of rows, apart by step and stride."""
    return (row(w, a) * row(w, b) + row(w, a + step) * row(w, b + stride)
            + row(w, a + 2 * step) * row(w, b + 2 * stride))


@nb.njit(cache=True, inline="always")
def symmetric(w, at, r, b, step):
    """Row r of a symmetric matrix (00 01 02 11 12 22) times three rows."""
    k1, k2 = (1, 2) if r == 0 else ((3, 4) if r == 1 else (4, 5))
    return (row(w, at + r) * row(w, b) + row(w, at + k1) * row(w, b + step)
            + row(w, at + k2) * row(w, b + 2 * step))
