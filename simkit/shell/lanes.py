"""Forces of elements that are elastic, many side by side: one lane an element.

Neighbours along v read neighbouring control points, so a strip of ``LANES`` of them goes through
every step in one vector loop: base vectors and strains, then layer by layer the trial stress and
its yield check, then the forces. The mechanics are those of :mod:`simkit.shell.kernels` (degree 2,
2 x 2 Gauss points), which works on the elements that this pass only marks: those that yield, or
whose strain is beyond the series used here.

Every scratch row has a fixed offset from one array and no loop body branches: that is what lets
the compiler use vector instructions. All parts are put into one compiled function: apart, a fresh
compilation and one read back from disk were linked differently and differed in the last bits.
"""

from __future__ import annotations

import numba as nb
import numpy as np
from numpy.typing import NDArray

from simkit.sheet.j2 import BASE, flow_stress
from simkit.shell.geometry import Geometry

Array = NDArray[np.float64]
LANES = 16
GAUSS = 4
GEO_ROWS = 16
"""Rows of packed geometry: metric 3, curvature 3, frame 9, area 1."""
STATE_ROWS = 8
"""Rows of packed state: plastic strain 3, backstress 3, square of the flow stress, plastic work."""
E0, K0, A1, A2, A3, UP, RES, GAM, ALL = 0, 3, 6, 9, 12, 15, 21, 27, 33
"""First scratch rows: strains, bending strains, base vectors, normal, dual base, resultants,
connection; ``ALL`` is how many."""
TURNS = 15
"""Rows of the force factors of one Gauss point: five vectors."""
FAST = {"contract", "reassoc", "nsz", "arcp"}


def lanes_fit(degree: int, geometry: Geometry) -> bool:
    """Whether these kernels know the discretisation."""
    return degree == 2 and geometry.points == GAUSS


def pack_geometry(geometry: Geometry) -> tuple[Array, Array]:
    """Geometry by lanes: (4, 16, elements), and v shape values (2, 3, 3, elements along v)."""
    rows = np.concatenate([
        geometry.metric, geometry.curvature,
        geometry.frame.reshape(geometry.elements, GAUSS, 9), geometry.area[:, :, None]], axis=2)
    return (np.ascontiguousarray(rows.transpose(1, 2, 0)),
            np.ascontiguousarray(geometry.shape_v.transpose(1, 2, 3, 0)))


@nb.njit(cache=True, nogil=True)
def pack_state(points, law, packed):
    """State by lanes, packed (4, layers, 8, elements) out; see ``STATE_ROWS``."""
    kind, terms = int(law[2]), int(law[3])
    for el in range(points.shape[0]):
        for gp in range(points.shape[1]):
            for layer in range(points.shape[2]):
                p = points[el, gp, layer]
                for r in range(3):
                    packed[gp, layer, r, el] = p[r]
                    back = 0.0
                    for k in range(terms):
                        back += p[BASE + 3 * k + r]
                    packed[gp, layer, 3 + r, el] = back
                flow, _ = flow_stress(kind, law, p[3])
                flow *= 1.0 + 1e-12
                packed[gp, layer, 6, el] = flow * flow
                packed[gp, layer, 7, el] = p[4]


@nb.njit(cache=True, inline="always")
def _derivatives(x, o, row, a, b00, b01, b02, b10, b11, b12, b20, b21, b22):
    """x,1 x,2 x,11 x,22 x,12 of one component; x from place o on, ``row`` apart along u.

    a holds u shape values (point, derivative) flat; bJD is v shape J, derivative D.
    """
    p00, p01, p02 = x[o], x[o + 1], x[o + 2]
    p10, p11, p12 = x[o + row], x[o + row + 1], x[o + row + 2]
    p20, p21, p22 = x[o + 2 * row], x[o + 2 * row + 1], x[o + 2 * row + 2]
    v0 = a[0] * p00 + a[3] * p10 + a[6] * p20
    v1 = a[0] * p01 + a[3] * p11 + a[6] * p21
    v2 = a[0] * p02 + a[3] * p12 + a[6] * p22
    s0 = a[1] * p00 + a[4] * p10 + a[7] * p20
    s1 = a[1] * p01 + a[4] * p11 + a[7] * p21
    s2 = a[1] * p02 + a[4] * p12 + a[7] * p22
    t0 = a[2] * p00 + a[5] * p10 + a[8] * p20
    t1 = a[2] * p01 + a[5] * p11 + a[8] * p21
    t2 = a[2] * p02 + a[5] * p12 + a[8] * p22
    return (s0 * b00 + s1 * b10 + s2 * b20, v0 * b01 + v1 * b11 + v2 * b21,
            t0 * b00 + t1 * b10 + t2 * b20, v0 * b02 + v1 * b12 + v2 * b22,
            s0 * b01 + s1 * b11 + s2 * b21)


@nb.njit(cache=True, inline="always")
def _strains(n, ev, el, gv, x, o, points, row, a, sv, count_v, geo, g, elements, work):
    """Strains, bending strains, base vectors and connection of n elements at one Gauss point."""
    s = gv * 9 * count_v
    for lane in range(n):
        q = s + ev + lane
        b00, b01, b02 = sv[q], sv[q + count_v], sv[q + 2 * count_v]
        b10, b11, b12 = sv[q + 3 * count_v], sv[q + 4 * count_v], sv[q + 5 * count_v]
        b20, b21, b22 = sv[q + 6 * count_v], sv[q + 7 * count_v], sv[q + 8 * count_v]
        x1, x2, x11, x22, x12 = _derivatives(
            x, o + lane, row, a, b00, b01, b02, b10, b11, b12, b20, b21, b22)
        y1, y2, y11, y22, y12 = _derivatives(
            x, points + o + lane, row, a, b00, b01, b02, b10, b11, b12, b20, b21, b22)
        z1, z2, z11, z22, z12 = _derivatives(
            x, 2 * points + o + lane, row, a, b00, b01, b02, b10, b11, b12, b20, b21, b22)
        g11 = x1 * x1 + y1 * y1 + z1 * z1
        g22 = x2 * x2 + y2 * y2 + z2 * z2
        g12 = x1 * x2 + y1 * y2 + z1 * z2
        det = g11 * g22 - g12 * g12
        inv = 1.0 / det
        root = np.sqrt(inv)
        nx, ny, nz = ((y1 * z2 - z1 * y2) * root, (z1 * x2 - x1 * z2) * root,
                      (x1 * y2 - y1 * x2) * root)
        u11, u22, u12 = g22 * inv, g11 * inv, -g12 * inv
        e = g + el + lane
        d0 = 0.5 * (g11 - geo[e])
        d1 = 0.5 * (g22 - geo[e + elements])
        d2 = 0.5 * (g12 - geo[e + 2 * elements])
        k0 = geo[e + 3 * elements] - (x11 * nx + y11 * ny + z11 * nz)
        k1 = geo[e + 4 * elements] - (x22 * nx + y22 * ny + z22 * nz)
        k2 = geo[e + 5 * elements] - (x12 * nx + y12 * ny + z12 * nz)
        f00, f01, f02 = (geo[e + 6 * elements], geo[e + 7 * elements], geo[e + 8 * elements])
        f10, f11, f12 = (geo[e + 9 * elements], geo[e + 10 * elements], geo[e + 11 * elements])
        f20, f21, f22 = (geo[e + 12 * elements], geo[e + 13 * elements], geo[e + 14 * elements])
        work[E0 * LANES + lane] = f00 * d0 + f01 * d1 + f02 * d2
        work[(E0 + 1) * LANES + lane] = f10 * d0 + f11 * d1 + f12 * d2
        work[(E0 + 2) * LANES + lane] = f20 * d0 + f21 * d1 + f22 * d2
        work[K0 * LANES + lane] = f00 * k0 + f01 * k1 + f02 * k2
        work[(K0 + 1) * LANES + lane] = f10 * k0 + f11 * k1 + f12 * k2
        work[(K0 + 2) * LANES + lane] = f20 * k0 + f21 * k1 + f22 * k2
        work[A1 * LANES + lane] = x1
        work[(A1 + 1) * LANES + lane] = y1
        work[(A1 + 2) * LANES + lane] = z1
        work[A2 * LANES + lane] = x2
        work[(A2 + 1) * LANES + lane] = y2
        work[(A2 + 2) * LANES + lane] = z2
        work[A3 * LANES + lane] = nx
        work[(A3 + 1) * LANES + lane] = ny
        work[(A3 + 2) * LANES + lane] = nz
        # connection x,ab . a^g, from the products with x,1 and x,2
        h0, h1 = x11 * x1 + y11 * y1 + z11 * z1, x11 * x2 + y11 * y2 + z11 * z2
        work[GAM * LANES + lane] = u11 * h0 + u12 * h1
        work[(GAM + 1) * LANES + lane] = u12 * h0 + u22 * h1
        h0, h1 = x22 * x1 + y22 * y1 + z22 * z1, x22 * x2 + y22 * y2 + z22 * z2
        work[(GAM + 2) * LANES + lane] = u11 * h0 + u12 * h1
        work[(GAM + 3) * LANES + lane] = u12 * h0 + u22 * h1
        h0, h1 = x12 * x1 + y12 * y1 + z12 * z1, x12 * x2 + y12 * y2 + z12 * z2
        work[(GAM + 4) * LANES + lane] = u11 * h0 + u12 * h1
        work[(GAM + 5) * LANES + lane] = u12 * h0 + u22 * h1


@nb.njit(cache=True, inline="always")
def _layer(n, el, elements, state, at, d1, shear, z, w, bound, work, mark, stored, spent):
    """Add one layer's stress resultants and energies of n elements; mark those that yield."""
    for lane in range(n):
        q = at + el + lane
        e0 = work[E0 * LANES + lane] + z * work[K0 * LANES + lane]
        d = work[(E0 + 1) * LANES + lane] + z * work[(K0 + 1) * LANES + lane]
        g = work[(E0 + 2) * LANES + lane] + z * work[(K0 + 2) * LANES + lane]
        c = 1.0 + e0
        r = d * d + g * g
        grow = e0 * (2.0 + e0) - r
        s = grow / (2.0 + grow)
        s2 = s * s
        half_log = s * (1.0 + s2 * (1 / 3 + s2 * (1 / 5 + s2 * (1 / 7 + s2 * (1 / 9 + s2 * (
            1 / 11 + s2 * (1 / 13 + s2 / 15)))))))
        ic = 1.0 / c
        y = r * ic * ic
        f = 1.0 + y * (1 / 3 + y * (1 / 5 + y * (1 / 7 + y * (1 / 9 + y * (1 / 11 + y * (
            1 / 13 + y / 15))))))
        f1 = 1 / 3 + y * (2 / 5 + y * (3 / 7 + y * (4 / 9 + y * (5 / 11 + y * (6 / 13 + y * (
            7 / 15))))))
        k = f * ic
        kr = f1 * ic * ic * ic
        det = 1.0 + grow
        q0 = 1.0 / det
        es = half_log - state[q]
        ed = k * d - state[q + elements]
        eg = k * g - state[q + 2 * elements]
        ts, td, tg = d1 * es, 2.0 * shear * ed, shear * eg
        xs, xd, xg = (ts - state[q + 3 * elements], td - state[q + 4 * elements],
                      tg - state[q + 5 * elements])
        over = 0.25 * xs * xs + 0.75 * xd * xd + 3.0 * xg * xg
        limit = max(state[q + 6 * elements], bound)
        # not (inside), so that no-numbers are marked as well
        fine = (over <= limit) & (s2 < 0.0144) & (y < 0.015) & (c > 0.0)
        mark[lane] = mark[lane] if fine else 1.0
        ts *= 0.5
        td *= 0.5
        stored[lane] += 0.5 * w * (ts * es + td * ed + tg * eg)
        spent[lane] += w * state[q + 7 * elements]
        cross = 2.0 * d * g * kr
        s0 = w * q0 * (ts * c - td * d - tg * g)
        s1 = w * (-ts * d * q0 + td * (k + 2.0 * d * d * kr) + tg * cross)
        s3 = w * (-ts * g * q0 + td * cross + tg * (k + 2.0 * g * g * kr))
        work[RES * LANES + lane] += s0
        work[(RES + 1) * LANES + lane] += s1
        work[(RES + 2) * LANES + lane] += s3
        work[(RES + 3) * LANES + lane] += z * s0
        work[(RES + 4) * LANES + lane] += z * s1
        work[(RES + 5) * LANES + lane] += z * s3


@nb.njit(cache=True, inline="always")
def _factors(n, el, elements, geo, g, work, turn, t, energy, stored, spent):
    """What each shape derivative is multiplied with to give forces: five vectors per element."""
    for lane in range(n):
        e = g + el + lane
        r0, r1, r2 = (work[RES * LANES + lane], work[(RES + 1) * LANES + lane],
                      work[(RES + 2) * LANES + lane])
        m0, m1, m2 = (work[(RES + 3) * LANES + lane], work[(RES + 4) * LANES + lane],
                      work[(RES + 5) * LANES + lane])
        f00, f01, f02 = (geo[e + 6 * elements], geo[e + 7 * elements], geo[e + 8 * elements])
        f10, f11, f12 = (geo[e + 9 * elements], geo[e + 10 * elements], geo[e + 11 * elements])
        f20, f21, f22 = (geo[e + 12 * elements], geo[e + 13 * elements], geo[e + 14 * elements])
        w = geo[e + 15 * elements]
        n11 = w * (f00 * r0 + f10 * r1 + f20 * r2)
        n22 = w * (f01 * r0 + f11 * r1 + f21 * r2)
        n12 = 0.5 * w * (f02 * r0 + f12 * r1 + f22 * r2)
        b11 = w * (f00 * m0 + f10 * m1 + f20 * m2)
        b22 = w * (f01 * m0 + f11 * m1 + f21 * m2)
        b12 = w * (f02 * m0 + f12 * m1 + f22 * m2)
        p1 = (b11 * work[GAM * LANES + lane] + b22 * work[(GAM + 2) * LANES + lane]
              + b12 * work[(GAM + 4) * LANES + lane])
        p2 = (b11 * work[(GAM + 1) * LANES + lane] + b22 * work[(GAM + 3) * LANES + lane]
              + b12 * work[(GAM + 5) * LANES + lane])
        x1, y1, z1 = (work[A1 * LANES + lane], work[(A1 + 1) * LANES + lane],
                      work[(A1 + 2) * LANES + lane])
        x2, y2, z2 = (work[A2 * LANES + lane], work[(A2 + 1) * LANES + lane],
                      work[(A2 + 2) * LANES + lane])
        nx, ny, nz = (work[A3 * LANES + lane], work[(A3 + 1) * LANES + lane],
                      work[(A3 + 2) * LANES + lane])
        turn[t + lane] = n11 * x1 + n12 * x2 + p1 * nx
        turn[t + LANES + lane] = n11 * y1 + n12 * y2 + p1 * ny
        turn[t + 2 * LANES + lane] = n11 * z1 + n12 * z2 + p1 * nz
        turn[t + 3 * LANES + lane] = n12 * x1 + n22 * x2 + p2 * nx
        turn[t + 4 * LANES + lane] = n12 * y1 + n22 * y2 + p2 * ny
        turn[t + 5 * LANES + lane] = n12 * z1 + n22 * z2 + p2 * nz
        turn[t + 6 * LANES + lane] = -b11 * nx
        turn[t + 7 * LANES + lane] = -b11 * ny
        turn[t + 8 * LANES + lane] = -b11 * nz
        turn[t + 9 * LANES + lane] = -b22 * nx
        turn[t + 10 * LANES + lane] = -b22 * ny
        turn[t + 11 * LANES + lane] = -b22 * nz
        turn[t + 12 * LANES + lane] = -b12 * nx
        turn[t + 13 * LANES + lane] = -b12 * ny
        turn[t + 14 * LANES + lane] = -b12 * nz
        energy[lane] += w * stored[lane]
        energy[LANES + lane] += w * spent[lane]


@nb.njit(cache=True, inline="always")
def _spread(n, ev, gv, sv, count_v, a0, a1, a2, j, turn, t, force, o):
    """Add one component of the forces on control points j of one row; o is their place."""
    s = gv * 9 * count_v + 3 * j * count_v + ev
    for lane in range(n):
        b0, b1, b2 = sv[s + lane], sv[s + count_v + lane], sv[s + 2 * count_v + lane]
        force[o + lane] += (
            b0 * (a1 * turn[t + lane] + a2 * turn[t + 6 * LANES + lane])
            + b1 * (a0 * turn[t + 3 * LANES + lane] + a1 * turn[t + 12 * LANES + lane])
            + b2 * a0 * turn[t + 9 * LANES + lane])


@nb.njit(cache=True, nogil=True, fastmath=FAST)
def lane_forces(first, last, x, count_v, rows_v, su, sv, geo, state, law, heights, weights,
                thickness, bound, force, energy, marked):
    """Forces of the elements in rows first to last (not included) along u, as far as elastic.

    x (3 * points,) and force (3 * points,) by component; su (rows, 2, 3, 3) shape values along u,
    sv, geo, state flat as packed; bound (MPa^2) an extra limit of the yield check, infinite to
    forbid yielding. Adds to force; writes energy (elements, 2) N mm and marked (elements,): True
    where the element is left to the full kernel, its force and energy not added.
    """
    young, nu = law[0], law[1]
    d1, shear = young / (1.0 - nu), 0.5 * young / (1.0 + nu)
    points = x.size // 3
    elements = su.shape[0] * count_v
    layers = heights.size
    work, turn = np.empty(ALL * LANES), np.empty(GAUSS * TURNS * LANES)
    mark, stored, spent = np.empty(LANES), np.empty(LANES), np.empty(LANES)
    sums = np.empty(2 * LANES)
    a = np.empty(9)
    for eu in range(first, last):
        for ev in range(0, count_v, LANES):
            n = min(LANES, count_v - ev)
            el = eu * count_v + ev
            mark[:] = 0.0
            sums[:] = 0.0
            for gp in range(GAUSS):
                gu, gv = gp // 2, gp % 2
                for i in range(3):
                    for d in range(3):
                        a[3 * i + d] = su[eu, gu, i, d]
                g = gp * GEO_ROWS * elements
                _strains(n, ev, el, gv, x, eu * rows_v + ev, points, rows_v, a, sv, count_v, geo,
                         g, elements, work)
                work[RES * LANES:(RES + 6) * LANES] = 0.0
                stored[:] = 0.0
                spent[:] = 0.0
                for layer in range(layers):
                    _layer(n, el, elements, state,
                           (gp * layers + layer) * STATE_ROWS * elements, d1, shear,
                           heights[layer] * thickness, weights[layer] * thickness, bound, work,
                           mark, stored, spent)
                _factors(n, el, elements, geo, g, work, turn, gp * TURNS * LANES, sums, stored,
                         spent)
            for lane in range(n):
                marked[el + lane] = mark[lane] != 0.0
                energy[el + lane, 0] = sums[lane]
                energy[el + lane, 1] = sums[LANES + lane]
                if mark[lane] != 0.0:
                    for r in range(GAUSS * TURNS):
                        turn[r * LANES + lane] = 0.0
            for gp in range(GAUSS):
                gu, gv = gp // 2, gp % 2
                for c in range(3):
                    t = (gp * TURNS + c) * LANES
                    for i in range(3):
                        o = c * points + (eu + i) * rows_v + ev
                        for j in range(3):
                            _spread(n, ev, gv, sv, count_v, su[eu, gu, i, 0], su[eu, gu, i, 1],
                                    su[eu, gu, i, 2], j, turn, t, force, o + j)
