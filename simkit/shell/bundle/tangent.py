"""Tangent of a bundle: M of one Gauss point, distributed to the control points.

Symbols as in :mod:`simkit.shell.bundle`; w is the address of the bundle's scratch.
"""

from __future__ import annotations

import numba as nb

from simkit.kernels.simd import LANES, ROW_BYTES, address, broadcast8
from simkit.kernels.vectors import (
    dot,
    load,
    store,
    strided_dot,
    symmetric_row_dot,
    transpose8,
)
from simkit.shell.bundle.rows import (
    A_MEMBRANE,
    AREA,
    B_BENDING,
    BENDING_ROWS,
    CONNECTION,
    COUPLING,
    CURVATURE,
    D_BENDING,
    DERIVATIVES,
    DUAL,
    ENTRIES,
    FRAME,
    MEMBRANE_ROWS,
    METRIC,
    NODE_PAIRS,
    NORMAL,
    PAIRS,
    PAIRS_SECOND,
    SECTION,
    SHAPE,
    STRAIN,
    VARIATION,
)


@nb.njit(cache=True, inline="always")
def make_matrix(w):
    """Write M of one Gauss point times area: M_da (2, 5, 3, 3), and S_ab for a, b = 3, 4, 5."""
    nothing, area, half = broadcast8(0.0), load(w, AREA), broadcast8(0.5)
    for r in range(3):
        f0, f1, f2 = load(w, FRAME + 3 * r), load(w, FRAME + 3 * r + 1), load(w, FRAME + 3 * r + 2)
        h2 = half * f2
        for c in range(3):
            x1, x2 = load(w, DERIVATIVES + c), load(w, DERIVATIVES + 3 + c)
            store(w, MEMBRANE_ROWS + 6 * r + c, f0 * x1 + h2 * x2)
            store(w, MEMBRANE_ROWS + 6 * r + 3 + c, f1 * x2 + h2 * x1)
        store(w, BENDING_ROWS + 5 * r,
              f0 * load(w, CONNECTION) + f1 * load(w, CONNECTION + 2)
              + f2 * load(w, CONNECTION + 4))
        store(w, BENDING_ROWS + 5 * r + 1,
              f0 * load(w, CONNECTION + 1) + f1 * load(w, CONNECTION + 3)
              + f2 * load(w, CONNECTION + 5))
        store(w, BENDING_ROWS + 5 * r + 2, nothing - f0)
        store(w, BENDING_ROWS + 5 * r + 3, nothing - f1)
        store(w, BENDING_ROWS + 5 * r + 4, nothing - f2)
    for r in range(3):
        for j in range(6):
            store(w, A_MEMBRANE + 6 * r + j,
                  area * symmetric_row_dot(w, SECTION, r, MEMBRANE_ROWS + j, 6))
        for a in range(5):
            store(w, B_BENDING + 5 * r + a,
                  area * symmetric_row_dot(w, SECTION + 6, r, BENDING_ROWS + a, 5))
            store(w, D_BENDING + 5 * r + a,
                  area * symmetric_row_dot(w, SECTION + 12, r, BENDING_ROWS + a, 5))
    k = 0
    for a in range(2, 5):
        for b in range(a, 5):
            store(w, PAIRS_SECOND + k, strided_dot(w, BENDING_ROWS + a, 5, D_BENDING + b, 5))
            k += 1
    # m.b of the module's formula, the sum of m_ab b_ab with b_ab = x,ab . a3
    bent = (load(w, CURVATURE) * dot(w, DERIVATIVES + 6, NORMAL)
            + load(w, CURVATURE + 1) * dot(w, DERIVATIVES + 9, NORMAL)
            + load(w, CURVATURE + 2) * dot(w, DERIVATIVES + 12, NORMAL))
    for d in range(2):
        for a in range(5):
            s = strided_dot(w, BENDING_ROWS + d, 5, D_BENDING + a, 5)
            if a < 2:
                s = s + bent * load(w, METRIC + (d if a == d else 2))
            factor = load(w, VARIATION + a)
            for i in range(3):
                q = strided_dot(w, MEMBRANE_ROWS + 3 * d + i, 6, B_BENDING + a, 5)
                if a < 2:
                    store(w, COUPLING + 6 * d + 3 * a + i, q)
                normal = load(w, NORMAL + i)
                left, right = q + s * normal, factor * normal
                for j in range(3):
                    store(w, PAIRS + 45 * d + 9 * a + 3 * i + j,
                          left * load(w, NORMAL + j) + right * load(w, DUAL + 3 * d + j))
    for d in range(2):
        for a in range(2):
            same, factor = load(w, STRAIN + (d if a == d else 2)), load(w, VARIATION + d)
            for i in range(3):
                normal, dual = load(w, NORMAL + i), factor * load(w, DUAL + 3 * a + i)
                for j in range(3):
                    at = PAIRS + 45 * d + 9 * a + 3 * i + j
                    stretch = strided_dot(w, MEMBRANE_ROWS + 3 * d + i, 6,
                                          A_MEMBRANE + 3 * a + j, 6)
                    more = (normal * load(w, COUPLING + 6 * a + 3 * d + j)
                            + dual * load(w, NORMAL + j) + stretch)
                    if i == j:
                        more = more + same
                    store(w, at, load(w, at) + more)


@nb.njit(cache=True, inline="always")
def spread_matrix(w, i):
    """Write sum_a N_i,a M_ab of control point i for all b, to NODE_PAIRS.

    Only M_da with d = 1, 2 is stored; for a = 3, 4, 5 its transpose is used.
    """
    at = SHAPE + 5 * i
    n0, n1, n2, n3, n4 = (load(w, at), load(w, at + 1), load(w, at + 2), load(w, at + 3),
                          load(w, at + 4))
    for b in range(2):
        for r in range(3):
            for c in range(3):
                k = PAIRS + 45 * b + 18 + 3 * c + r
                store(w, NODE_PAIRS + 9 * b + 3 * r + c, (
                    n0 * load(w, PAIRS + 9 * b + 3 * r + c)
                    + n1 * load(w, PAIRS + 45 + 9 * b + 3 * r + c)
                    + n2 * load(w, k) + n3 * load(w, k + 9) + n4 * load(w, k + 18)))
    for b in range(3):
        k0, k1, k2 = (0, 1, 2) if b == 0 else ((1, 3, 4) if b == 1 else (2, 4, 5))
        t = (n2 * load(w, PAIRS_SECOND + k0) + n3 * load(w, PAIRS_SECOND + k1)
             + n4 * load(w, PAIRS_SECOND + k2))
        for r in range(3):
            normal = t * load(w, NORMAL + r)
            for c in range(3):
                k = PAIRS + 18 + 9 * b + 3 * r + c
                store(w, NODE_PAIRS + 18 + 9 * b + 3 * r + c,
                      n0 * load(w, k) + n1 * load(w, k + 45) + normal * load(w, NORMAL + c))


@nb.njit(cache=True, inline="always")
def add_pairs(w, i, r, ke):
    """Add row r of the 3 x 3 blocks of control point i with itself and with later ones.

    Only upper entries, in the order of :func:`row_of_upper`; ke is an address.
    """
    at = NODE_PAIRS + 3 * r
    a0, a1, a2, a3, a4 = (load(w, at), load(w, at + 9), load(w, at + 18), load(w, at + 27),
                          load(w, at + 36))
    b0, b1, b2, b3, b4 = (load(w, at + 1), load(w, at + 10), load(w, at + 19), load(w, at + 28),
                          load(w, at + 37))
    c0, c1, c2, c3, c4 = (load(w, at + 2), load(w, at + 11), load(w, at + 20), load(w, at + 29),
                          load(w, at + 38))
    to = row_of_upper(3 * i + r)
    for j in range(i, 9):
        s = SHAPE + 5 * j
        n0, n1, n2, n3 = load(w, s), load(w, s + 1), load(w, s + 2), load(w, s + 3)
        n4 = load(w, s + 4)
        k = to + 3 * j
        if j > i or r < 1:
            store(ke, k, load(ke, k) + (a0 * n0 + a1 * n1 + a2 * n2 + a3 * n3 + a4 * n4))
        if j > i or r < 2:
            store(ke, k + 1, load(ke, k + 1) + (b0 * n0 + b1 * n1 + b2 * n2 + b3 * n3 + b4 * n4))
        store(ke, k + 2, load(ke, k + 2) + (c0 * n0 + c1 * n1 + c2 * n2 + c3 * n3 + c4 * n4))


@nb.njit(cache=True, inline="always")
def row_of_upper(line):
    """Index that entry (line, 0) of a 27 x 27 matrix would have among its upper entries by rows.

    Entry (line, k), k >= line, then has this index plus k.
    """
    return line * 27 - line * (line - 1) // 2 - line


@nb.njit(cache=True)
def turn(ke, turned):
    """Transpose ke (ENTRIES, lanes) to turned (lanes, ENTRIES), so that elements stand apart."""
    source, to, step = address(ke), address(turned), ROW_BYTES * ENTRIES // LANES
    for k in range(ENTRIES // LANES):
        transpose8(source + ROW_BYTES * LANES * k, to + ROW_BYTES * k, step)
