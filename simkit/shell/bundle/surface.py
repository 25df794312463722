"""Kinematics of a bundle at one Gauss point, and the forces of its resultants."""

from __future__ import annotations

import numba as nb

from simkit.kernels.simd import load8, same8, spread8, store8
from simkit.kernels.vectors import beyond8, dot, down, keep, pick8, root8, row
from simkit.shell.bundle.rows import (
    ACTIVE,
    AREA,
    CON,
    CONTROL,
    CURVE,
    DUAL,
    EM,
    FRAME,
    KB,
    MARK,
    METRIC,
    NODE,
    PLACE,
    RES,
    SECOND,
    SHAPE,
    STRAIN,
    TURN,
    UP,
)


@nb.njit(cache=True, inline="always")
def load_control(w, x, at, rows_v, points):
    """Control points: x (address) by component, at the first of them."""
    for i in range(3):
        for j in range(3):
            for c in range(3):
                keep(w, CONTROL + 9 * i + 3 * j + c,
                     load8(x + 8 * (c * points + at + i * rows_v + j)))


@nb.njit(cache=True, inline="always")
def load_reference(w, gp, su, sv, geo):
    """Shape derivatives and reference geometry of one Gauss point; su, sv and geo are addresses,
    of the point's u shape values, the bundle's v shape values and the geometry of the point."""
    gv = gp % 2
    for j in range(3):
        b0, b1 = row(sv, 9 * gv + 3 * j), row(sv, 9 * gv + 3 * j + 1)
        b2 = row(sv, 9 * gv + 3 * j + 2)
        for i in range(3):
            a0, a1 = spread8(su + 24 * i), spread8(su + 24 * i + 8)
            to = SHAPE + 15 * i + 5 * j
            keep(w, to, a1 * b0)
            keep(w, to + 1, a0 * b1)
            keep(w, to + 2, spread8(su + 24 * i + 16) * b0)
            keep(w, to + 3, a0 * b2)
            keep(w, to + 4, a1 * b1)
    for r in range(3):
        keep(w, STRAIN + r, row(geo, r))
        keep(w, CURVE + r, row(geo, 3 + r))
    for r in range(9):
        keep(w, FRAME + r, row(geo, 6 + r))
    keep(w, AREA, row(geo, 15))


@nb.njit(cache=True, inline="always")
def find_surface(w):
    """y, unit normal, dual base and its metric, connection of one Gauss point."""
    for a in range(5):
        for c in range(3):
            keep(w, PLACE + 3 * a + c, (
                down(w, SHAPE + a, 5, CONTROL + c, 3)
                + down(w, SHAPE + 15 + a, 5, CONTROL + 9 + c, 3)
                + down(w, SHAPE + 30 + a, 5, CONTROL + 18 + c, 3)))
    x1, y1, z1 = row(w, PLACE), row(w, PLACE + 1), row(w, PLACE + 2)
    x2, y2, z2 = row(w, PLACE + 3), row(w, PLACE + 4), row(w, PLACE + 5)
    g11 = x1 * x1 + y1 * y1 + z1 * z1
    g22 = x2 * x2 + y2 * y2 + z2 * z2
    g12 = x1 * x2 + y1 * y2 + z1 * z2
    det = g11 * g22 - g12 * g12
    # an area of nothing has no inverse; marked lanes are done by the full kernel, which says so
    keep(w, MARK, row(w, MARK) + beyond8(same8(1e-300), det))
    inverse = same8(1.0) / det
    root = root8(inverse)
    keep(w, UP, (y1 * z2 - z1 * y2) * root)
    keep(w, UP + 1, (z1 * x2 - x1 * z2) * root)
    keep(w, UP + 2, (x1 * y2 - y1 * x2) * root)
    u11, u22, u12 = g22 * inverse, g11 * inverse, same8(0.0) - g12 * inverse
    for c in range(3):
        p, q = row(w, PLACE + c), row(w, PLACE + 3 + c)
        keep(w, DUAL + c, u11 * p + u12 * q)
        keep(w, DUAL + 3 + c, u12 * p + u22 * q)
    keep(w, METRIC, u11)
    keep(w, METRIC + 1, u22)
    keep(w, METRIC + 2, u12)
    half = same8(0.5)
    keep(w, STRAIN, half * (g11 - row(w, STRAIN)))
    keep(w, STRAIN + 1, half * (g22 - row(w, STRAIN + 1)))
    keep(w, STRAIN + 2, half * (g12 - row(w, STRAIN + 2)))
    for r in range(3):
        at = PLACE + 6 + 3 * r
        keep(w, CURVE + r, row(w, CURVE + r) - dot(w, at, UP))
        keep(w, CON + 2 * r, dot(w, at, DUAL))
        keep(w, CON + 2 * r + 1, dot(w, at, DUAL + 3))


@nb.njit(cache=True, inline="always")
def find_strains(w):
    """Strains and bending strains (s, d, g); no resultants or stiffness yet."""
    for r in range(24):
        keep(w, RES + r, same8(0.0))
    for r in range(3):
        keep(w, EM + r, dot(w, FRAME + 3 * r, STRAIN))
        keep(w, KB + r, dot(w, FRAME + 3 * r, CURVE))


@nb.njit(cache=True, inline="always")
def make_forces(w):
    """Force factors of y and nodal forces; n (11, 22, half of 12) and m, times area, replace the
    covariant strains."""
    area = row(w, AREA)
    for r in range(3):
        keep(w, STRAIN + r, area * down(w, FRAME + r, 3, RES, 1))
        keep(w, CURVE + r, area * down(w, FRAME + r, 3, RES + 3, 1))
    n11, n22, n12 = row(w, STRAIN), row(w, STRAIN + 1), same8(0.5) * row(w, STRAIN + 2)
    keep(w, STRAIN + 2, n12)
    m11, m22, m12 = row(w, CURVE), row(w, CURVE + 1), row(w, CURVE + 2)
    p1, p2 = down(w, CURVE, 1, CON, 2), down(w, CURVE, 1, CON + 1, 2)
    nothing = same8(0.0)
    keep(w, SECOND, nothing - p1)
    keep(w, SECOND + 1, nothing - p2)
    keep(w, SECOND + 2, m11)
    keep(w, SECOND + 3, m22)
    keep(w, SECOND + 4, m12)
    for c in range(3):
        x1, x2, normal = row(w, PLACE + c), row(w, PLACE + 3 + c), row(w, UP + c)
        keep(w, TURN + c, n11 * x1 + n12 * x2 + p1 * normal)
        keep(w, TURN + 3 + c, n12 * x1 + n22 * x2 + p2 * normal)
        keep(w, TURN + 6 + c, nothing - m11 * normal)
        keep(w, TURN + 9 + c, nothing - m22 * normal)
        keep(w, TURN + 12 + c, nothing - m12 * normal)
    for c in range(3):
        t0, t1, t2 = row(w, TURN + c), row(w, TURN + 3 + c), row(w, TURN + 6 + c)
        t3, t4 = row(w, TURN + 9 + c), row(w, TURN + 12 + c)
        for k in range(9):
            at = SHAPE + 5 * k
            keep(w, NODE + 3 * k + c, row(w, NODE + 3 * k + c) + (
                row(w, at) * t0 + row(w, at + 1) * t1 + row(w, at + 2) * t2
                + row(w, at + 3) * t3 + row(w, at + 4) * t4))


@nb.njit(cache=True, inline="always")
def add_forces(w, force, at, rows_v, points):
    """Add nodal forces of the lanes at work; ``force`` is an address, by component."""
    for i in range(3):
        for j in range(3):
            for c in range(3):
                to = force + 8 * (c * points + at + i * rows_v + j)
                store8(to, load8(to) + pick8(row(w, ACTIVE), row(w, NODE + 9 * i + 3 * j + c),
                                             same8(0.0)))
