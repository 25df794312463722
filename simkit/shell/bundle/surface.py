"""Kinematics of a bundle at one Gauss point, and the nodal forces of its resultants.

In all functions w is the address of the bundle's scratch, see :mod:`simkit.shell.bundle.rows`.
"""

from __future__ import annotations

import numba as nb

from simkit.kernels.simd import broadcast8, broadcast_load8, load8, store8
from simkit.kernels.vectors import dot, exceeds8, load, select8, sqrt8, store, strided_dot
from simkit.shell.bundle.rows import (
    ACTIVE,
    AREA,
    BENDING,
    CONNECTION,
    CONTROL,
    CURVATURE,
    DERIVATIVES,
    DUAL,
    FORCE_FACTORS,
    FRAME,
    MEMBRANE,
    METRIC,
    NODAL_FORCES,
    NORMAL,
    OUT_OF_RANGE,
    RESULTANTS,
    SHAPE,
    STRAIN,
    VARIATION,
)


@nb.njit(cache=True, inline="always")
def load_control(w, x, at, rows_v, points):
    """Load the 3 x 3 control points of each lane.

    x: address of the coordinates, all of one component after another; at: number of the first
    lane's first control point; rows_v: control points along v; points: control points in all.
    """
    for i in range(3):
        for j in range(3):
            for c in range(3):
                store(w, CONTROL + 9 * i + 3 * j + c,
                      load8(x + 8 * (c * points + at + i * rows_v + j)))


@nb.njit(cache=True, inline="always")
def load_reference(w, gp, su, sv, geo):
    """Load shape derivatives and reference geometry of one Gauss point.

    Addresses: su of the point's u shape values, sv of the bundle's v shape values, geo of the
    point's packed geometry.
    """
    gv = gp % 2
    for j in range(3):
        b0, b1 = load(sv, 9 * gv + 3 * j), load(sv, 9 * gv + 3 * j + 1)
        b2 = load(sv, 9 * gv + 3 * j + 2)
        for i in range(3):
            a0, a1 = broadcast_load8(su + 24 * i), broadcast_load8(su + 24 * i + 8)
            to = SHAPE + 15 * i + 5 * j
            store(w, to, a1 * b0)
            store(w, to + 1, a0 * b1)
            store(w, to + 2, broadcast_load8(su + 24 * i + 16) * b0)
            store(w, to + 3, a0 * b2)
            store(w, to + 4, a1 * b1)
    for r in range(3):
        store(w, STRAIN + r, load(geo, r))
        store(w, CURVATURE + r, load(geo, 3 + r))
    for r in range(9):
        store(w, FRAME + r, load(geo, 6 + r))
    store(w, AREA, load(geo, 15))


@nb.njit(cache=True, inline="always")
def find_surface(w):
    """Write y, unit normal, dual base and its metric, and the connection of one Gauss point.

    The reference metric and curvature are replaced by membrane and bending strain, covariant.
    """
    for a in range(5):
        for c in range(3):
            store(w, DERIVATIVES + 3 * a + c, (
                strided_dot(w, SHAPE + a, 5, CONTROL + c, 3)
                + strided_dot(w, SHAPE + 15 + a, 5, CONTROL + 9 + c, 3)
                + strided_dot(w, SHAPE + 30 + a, 5, CONTROL + 18 + c, 3)))
    x1, y1, z1 = load(w, DERIVATIVES), load(w, DERIVATIVES + 1), load(w, DERIVATIVES + 2)
    x2, y2, z2 = load(w, DERIVATIVES + 3), load(w, DERIVATIVES + 4), load(w, DERIVATIVES + 5)
    g11 = x1 * x1 + y1 * y1 + z1 * z1
    g22 = x2 * x2 + y2 * y2 + z2 * z2
    g12 = x1 * x2 + y1 * y2 + z1 * z2
    det = g11 * g22 - g12 * g12
    # zero area has no inverse; the full kernel computes marked lanes and reports the inversion
    store(w, OUT_OF_RANGE, load(w, OUT_OF_RANGE) + exceeds8(broadcast8(1e-300), det))
    inverse = broadcast8(1.0) / det
    root = sqrt8(inverse)
    store(w, NORMAL, (y1 * z2 - z1 * y2) * root)
    store(w, NORMAL + 1, (z1 * x2 - x1 * z2) * root)
    store(w, NORMAL + 2, (x1 * y2 - y1 * x2) * root)
    u11, u22, u12 = g22 * inverse, g11 * inverse, broadcast8(0.0) - g12 * inverse
    for c in range(3):
        p, q = load(w, DERIVATIVES + c), load(w, DERIVATIVES + 3 + c)
        store(w, DUAL + c, u11 * p + u12 * q)
        store(w, DUAL + 3 + c, u12 * p + u22 * q)
    store(w, METRIC, u11)
    store(w, METRIC + 1, u22)
    store(w, METRIC + 2, u12)
    half = broadcast8(0.5)
    store(w, STRAIN, half * (g11 - load(w, STRAIN)))
    store(w, STRAIN + 1, half * (g22 - load(w, STRAIN + 1)))
    store(w, STRAIN + 2, half * (g12 - load(w, STRAIN + 2)))
    for r in range(3):
        at = DERIVATIVES + 6 + 3 * r
        store(w, CURVATURE + r, load(w, CURVATURE + r) - dot(w, at, NORMAL))
        store(w, CONNECTION + 2 * r, dot(w, at, DUAL))
        store(w, CONNECTION + 2 * r + 1, dot(w, at, DUAL + 3))


@nb.njit(cache=True, inline="always")
def find_strains(w):
    """Write membrane and bending strains (s, d, g); set resultants and section moduli to zero."""
    for r in range(24):
        store(w, RESULTANTS + r, broadcast8(0.0))
    for r in range(3):
        store(w, MEMBRANE + r, dot(w, FRAME + 3 * r, STRAIN))
        store(w, BENDING + r, dot(w, FRAME + 3 * r, CURVATURE))


@nb.njit(cache=True, inline="always")
def make_forces(w):
    """Add the nodal forces of one Gauss point.

    The force conjugate to y,a is the derivative of the strain energy by y,a; the force on control
    point I is the sum over a of N_I,a times it. The resultants n (11, 22, half of 12) and m, times
    area, replace the covariant strains.
    """
    area = load(w, AREA)
    for r in range(3):
        store(w, STRAIN + r, area * strided_dot(w, FRAME + r, 3, RESULTANTS, 1))
        store(w, CURVATURE + r, area * strided_dot(w, FRAME + r, 3, RESULTANTS + 3, 1))
    n11, n22, n12 = load(w, STRAIN), load(w, STRAIN + 1), broadcast8(0.5) * load(w, STRAIN + 2)
    store(w, STRAIN + 2, n12)
    m11, m22, m12 = load(w, CURVATURE), load(w, CURVATURE + 1), load(w, CURVATURE + 2)
    p1 = strided_dot(w, CURVATURE, 1, CONNECTION, 2)
    p2 = strided_dot(w, CURVATURE, 1, CONNECTION + 1, 2)
    nothing = broadcast8(0.0)
    store(w, VARIATION, nothing - p1)
    store(w, VARIATION + 1, nothing - p2)
    store(w, VARIATION + 2, m11)
    store(w, VARIATION + 3, m22)
    store(w, VARIATION + 4, m12)
    for c in range(3):
        x1, x2, normal = load(w, DERIVATIVES + c), load(w, DERIVATIVES + 3 + c), load(w, NORMAL + c)
        store(w, FORCE_FACTORS + c, n11 * x1 + n12 * x2 + p1 * normal)
        store(w, FORCE_FACTORS + 3 + c, n12 * x1 + n22 * x2 + p2 * normal)
        store(w, FORCE_FACTORS + 6 + c, nothing - m11 * normal)
        store(w, FORCE_FACTORS + 9 + c, nothing - m22 * normal)
        store(w, FORCE_FACTORS + 12 + c, nothing - m12 * normal)
    for c in range(3):
        t0, t1 = load(w, FORCE_FACTORS + c), load(w, FORCE_FACTORS + 3 + c)
        t2 = load(w, FORCE_FACTORS + 6 + c)
        t3, t4 = load(w, FORCE_FACTORS + 9 + c), load(w, FORCE_FACTORS + 12 + c)
        for k in range(9):
            at = SHAPE + 5 * k
            store(w, NODAL_FORCES + 3 * k + c, load(w, NODAL_FORCES + 3 * k + c) + (
                load(w, at) * t0 + load(w, at + 1) * t1 + load(w, at + 2) * t2
                + load(w, at + 3) * t3 + load(w, at + 4) * t4))


@nb.njit(cache=True, inline="always")
def add_forces(w, force, at, rows_v, points):
    """Add the nodal forces of active lanes at the address ``force``, ordered as in load_control.

    The lanes of one control point position overlap with those of the next, so they are added one
    position after another.
    """
    for i in range(3):
        for j in range(3):
            for c in range(3):
                to = force + 8 * (c * points + at + i * rows_v + j)
                own = load(w, NODAL_FORCES + 9 * i + 3 * j + c)
                store8(to, load8(to) + select8(load(w, ACTIVE), own, broadcast8(0.0)))
