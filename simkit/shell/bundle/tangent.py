"""Tangent of a bundle: M of one Gauss point, spread to the control points."""

from __future__ import annotations

import numba as nb

from simkit.kernels.simd import LANES, address, same8
from simkit.kernels.vectors import ROW_BYTES, dot, down, keep, row, symmetric, transpose8
from simkit.shell.bundle.rows import (
    AREA,
    AV,
    BG,
    CON,
    CROSS,
    CURVE,
    DG,
    DUAL,
    ENTRIES,
    FRAME,
    GROW,
    MAT,
    METRIC,
    PLACE,
    SEC,
    SECOND,
    SHAPE,
    SPREAD,
    STIFF,
    STRAIN,
    UP,
    VEC,
)


@nb.njit(cache=True, inline="always")
def make_matrix(w):
    """M of one Gauss point times area: M_da (2, 5, 3, 3) and S_ab of the second derivatives."""
    nothing, area, half = same8(0.0), row(w, AREA), same8(0.5)
    for r in range(3):
        f0, f1, f2 = row(w, FRAME + 3 * r), row(w, FRAME + 3 * r + 1), row(w, FRAME + 3 * r + 2)
        h2 = half * f2
        for c in range(3):
            x1, x2 = row(w, PLACE + c), row(w, PLACE + 3 + c)
            keep(w, VEC + 6 * r + c, f0 * x1 + h2 * x2)
            keep(w, VEC + 6 * r + 3 + c, f1 * x2 + h2 * x1)
        keep(w, GROW + 5 * r, f0 * row(w, CON) + f1 * row(w, CON + 2) + f2 * row(w, CON + 4))
        keep(w, GROW + 5 * r + 1,
             f0 * row(w, CON + 1) + f1 * row(w, CON + 3) + f2 * row(w, CON + 5))
        keep(w, GROW + 5 * r + 2, nothing - f0)
        keep(w, GROW + 5 * r + 3, nothing - f1)
        keep(w, GROW + 5 * r + 4, nothing - f2)
    for r in range(3):
        for j in range(6):
            keep(w, AV + 6 * r + j, area * symmetric(w, STIFF, r, VEC + j, 6))
        for a in range(5):
            keep(w, BG + 5 * r + a, area * symmetric(w, STIFF + 6, r, GROW + a, 5))
            keep(w, DG + 5 * r + a, area * symmetric(w, STIFF + 12, r, GROW + a, 5))
    k = 0
    for a in range(2, 5):
        for b in range(a, 5):
            keep(w, SEC + k, down(w, GROW + a, 5, DG + b, 5))
            k += 1
    bent = (row(w, CURVE) * dot(w, PLACE + 6, UP) + row(w, CURVE + 1) * dot(w, PLACE + 9, UP)
            + row(w, CURVE + 2) * dot(w, PLACE + 12, UP))
    for d in range(2):
        for a in range(5):
            s = down(w, GROW + d, 5, DG + a, 5)
            if a < 2:
                s = s + bent * row(w, METRIC + (d if a == d else 2))
            factor = row(w, SECOND + a)
            for i in range(3):
                q = down(w, VEC + 3 * d + i, 6, BG + a, 5)
                if a < 2:
                    keep(w, CROSS + 6 * d + 3 * a + i, q)
                normal = row(w, UP + i)
                left, right = q + s * normal, factor * normal
                for j in range(3):
                    keep(w, MAT + 45 * d + 9 * a + 3 * i + j,
                         left * row(w, UP + j) + right * row(w, DUAL + 3 * d + j))
    for d in range(2):
        for a in range(2):
            same, factor = row(w, STRAIN + (d if a == d else 2)), row(w, SECOND + d)
            for i in range(3):
                normal, dual = row(w, UP + i), factor * row(w, DUAL + 3 * a + i)
                for j in range(3):
                    at = MAT + 45 * d + 9 * a + 3 * i + j
                    more = (normal * row(w, CROSS + 6 * a + 3 * d + j) + dual * row(w, UP + j)
                            + down(w, VEC + 3 * d + i, 6, AV + 3 * a + j, 6))
                    if i == j:
                        more = more + same
                    keep(w, at, row(w, at) + more)


@nb.njit(cache=True, inline="always")
def spread_matrix(w, i):
    """sum_a N_i,a M_ab of one control point."""
    at = SHAPE + 5 * i
    n0, n1, n2, n3, n4 = (row(w, at), row(w, at + 1), row(w, at + 2), row(w, at + 3),
                          row(w, at + 4))
    for b in range(2):
        for r in range(3):
            for c in range(3):
                k = MAT + 45 * b + 18 + 3 * c + r
                keep(w, SPREAD + 9 * b + 3 * r + c, (
                    n0 * row(w, MAT + 9 * b + 3 * r + c)
                    + n1 * row(w, MAT + 45 + 9 * b + 3 * r + c)
                    + n2 * row(w, k) + n3 * row(w, k + 9) + n4 * row(w, k + 18)))
    for b in range(3):
        k0, k1, k2 = (0, 1, 2) if b == 0 else ((1, 3, 4) if b == 1 else (2, 4, 5))
        t = n2 * row(w, SEC + k0) + n3 * row(w, SEC + k1) + n4 * row(w, SEC + k2)
        for r in range(3):
            normal = t * row(w, UP + r)
            for c in range(3):
                k = MAT + 18 + 9 * b + 3 * r + c
                keep(w, SPREAD + 18 + 9 * b + 3 * r + c,
                     n0 * row(w, k) + n1 * row(w, k + 45) + normal * row(w, UP + c))


@nb.njit(cache=True, inline="always")
def add_pairs(w, i, r, ke):
    """Add row r of the blocks of control point i with itself and those after it, upper entries
    only, in the order of :func:`row_of_upper`."""
    at = SPREAD + 3 * r
    a0, a1, a2, a3, a4 = (row(w, at), row(w, at + 9), row(w, at + 18), row(w, at + 27),
                          row(w, at + 36))
    b0, b1, b2, b3, b4 = (row(w, at + 1), row(w, at + 10), row(w, at + 19), row(w, at + 28),
                          row(w, at + 37))
    c0, c1, c2, c3, c4 = (row(w, at + 2), row(w, at + 11), row(w, at + 20), row(w, at + 29),
                          row(w, at + 38))
    to = row_of_upper(3 * i + r)
    for j in range(i, 9):
        s = SHAPE + 5 * j
        n0, n1, n2, n3, n4 = row(w, s), row(w, s + 1), row(w, s + 2), row(w, s + 3), row(w, s + 4)
        k = to + 3 * j
        if j > i or r < 1:
            keep(ke, k, row(ke, k) + (a0 * n0 + a1 * n1 + a2 * n2 + a3 * n3 + a4 * n4))
        if j > i or r < 2:
            keep(ke, k + 1, row(ke, k + 1) + (b0 * n0 + b1 * n1 + b2 * n2 + b3 * n3 + b4 * n4))
        keep(ke, k + 2, row(ke, k + 2) + (c0 * n0 + c1 * n1 + c2 * n2 + c3 * n3 + c4 * n4))


@nb.njit(cache=True, inline="always")
def row_of_upper(line):
    """Where entry (line, 0) of an element matrix would stand among its upper entries by rows."""
    return line * 27 - line * (line - 1) // 2 - line


@nb.njit(cache=True)
def turn(ke, turned):
    """The entries of each lane after one another: ke rows of lanes, turned (lanes, ENTRIES)."""
    source, to, step = address(ke), address(turned), ROW_BYTES * ENTRIES // LANES
    for k in range(ENTRIES // LANES):
        transpose8(source + ROW_BYTES * LANES * k, to + ROW_BYTES * k, step)
