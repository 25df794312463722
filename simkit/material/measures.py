"""Size of a stress by a packed yield criterion, with slope and curvature, for compiled code.

Two kinds: three quadratic forms (:mod:`simkit.material.criterion`), and two linear transformations
(:mod:`simkit.material.yld2004`), told apart by the sign of the first number. Both are polynomials
of squares, so that no derivative is singular at equal principal values.
"""

from __future__ import annotations

from typing import NamedTuple

import numba as nb


class Triple(NamedTuple):
    """A stress or strain (s, d, g), see :mod:`simkit.material.j2`."""

    s: float
    d: float
    g: float


class Upper(NamedTuple):
    """Upper half of a symmetric 3 x 3 matrix."""

    m00: float
    m01: float
    m02: float
    m11: float
    m12: float
    m22: float


class Size(NamedTuple):
    """Equivalent stress, MPa; its gradient n (no unit); its second derivatives h, 1/MPa."""

    value: float
    n: Triple
    h: Upper


@nb.njit(cache=True)
def _power(x, k):
    """x^k with first and second derivative, for a whole k >= 0; no division."""
    p, p1, p2 = 1.0, 0.0, 0.0
    for _ in range(k):
        p2 = p2 * x + 2.0 * p1
        p1 = p1 * x + p
        p = p * x
    return p, p1, p2


@nb.njit(cache=True)
def _pair(v, r, m, crit, at):
    """Sum of c_j v^(m-j) r^j, c from crit[at] on, and its derivatives by v, r, vv, vr, rr."""
    f, fv, fr, fvv, fvr, frr = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for j in range(m + 1):
        c = crit[at + j]
        p, p1, p2 = _power(v, m - j)
        q, q1, q2 = _power(r, j)
        f += c * p * q
        fv += c * p1 * q
        fr += c * p * q1
        fvv += c * p2 * q
        fvr += c * p1 * q1
        frr += c * p * q2
    return f, fv, fr, fvv, fvr, frr


class Triad(NamedTuple):
    """A function of v, r, t and its derivatives by them, first and second."""

    f: float
    v: float
    r: float
    t: float
    vv: float
    vr: float
    vt: float
    rr: float
    rt: float
    tt: float


@nb.njit(cache=True)
def _triad(v, r, t, m, crit, at):
    """Sum of c_ij v^i r^j t^(m-i-j), with j running fastest in ``crit`` from ``at`` on."""
    f, fv, fr, ft = 0.0, 0.0, 0.0, 0.0
    fvv, fvr, fvt, frr, frt, ftt = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(m + 1):
        p, p1, p2 = _power(v, i)
        q, q1, q2 = 1.0, 0.0, 0.0
        g, gr, gt, grr, grt, gtt = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for j in range(m - i + 1):
            c = crit[at]
            at += 1
            z, z1, z2 = _power(t, m - i - j)
            g += c * q * z
            gr += c * q1 * z
            gt += c * q * z1
            grr += c * q2 * z
            grt += c * q1 * z1
            gtt += c * q * z2
            q2 = q2 * r + 2.0 * q1
            q1 = q1 * r + q
            q = q * r
        f, fv, fvv = f + p * g, fv + p1 * g, fvv + p2 * g
        fr, ft, fvr, fvt = fr + p * gr, ft + p * gt, fvr + p1 * gr, fvt + p1 * gt
        frr, frt, ftt = frr + p * grr, frt + p * grt, ftt + p * gtt
    return Triad(f, fv, fr, ft, fvv, fvr, fvt, frr, frt, ftt)


@nb.njit(cache=True)
def _outer(h, f, a, b):
    """h + f (a b' + b a') / 2 as the upper half of a matrix; a, b are Triples."""
    return Upper(h.m00 + f * a.s * b.s, h.m01 + 0.5 * f * (a.s * b.d + a.d * b.s),
                 h.m02 + 0.5 * f * (a.s * b.g + a.g * b.s), h.m11 + f * a.d * b.d,
                 h.m12 + 0.5 * f * (a.d * b.g + a.g * b.d), h.m22 + f * a.g * b.g)


@nb.njit(cache=True)
def _transformed(s, d, g, crit):
    """:func:`measure` for two linear transformations.

    The sum of :mod:`simkit.material.yld2004` is 4 size^(2m). a, v1, v2, vb are squares of linear
    forms of (s, d), r1 and r2 the squares q'^2 and q''^2; a name with g is a gradient.
    """
    m = int(-crit[0])
    la, l1, l2, lb = (crit[1] * s + crit[2] * d, crit[3] * s + crit[4] * d,
                      crit[5] * s + crit[6] * d, crit[7] * s + crit[8] * d)
    d1, d2 = crit[9] * s + crit[10] * d, crit[12] * s + crit[13] * d
    c1, c2 = crit[11], crit[14]
    r1, r2 = d1 * d1 + c1 * g * g, d2 * d2 + c2 * g * g
    fa, fa1, fa2 = _power(la * la, m)
    one = _pair(l1 * l1, r2, m, crit, 15)
    two = _pair(l2 * l2, r1, m, crit, 15)
    all4 = _triad(lb * lb, r1, r2, m, crit, 16 + m)
    total = fa + one[0] + two[0] + all4.f
    f1, f2 = two[2] + all4.r, one[2] + all4.t  # by r1 and r2
    ga, gb = Triple(2.0 * la * crit[1], 2.0 * la * crit[2], 0.0), Triple(
        2.0 * lb * crit[7], 2.0 * lb * crit[8], 0.0)
    g1, g2 = Triple(2.0 * l1 * crit[3], 2.0 * l1 * crit[4], 0.0), Triple(
        2.0 * l2 * crit[5], 2.0 * l2 * crit[6], 0.0)
    h1, h2 = Triple(2.0 * d1 * crit[9], 2.0 * d1 * crit[10], 2.0 * c1 * g), Triple(
        2.0 * d2 * crit[12], 2.0 * d2 * crit[13], 2.0 * c2 * g)
    n = Triple(fa1 * ga.s + one[1] * g1.s + two[1] * g2.s + all4.v * gb.s + f1 * h1.s + f2 * h2.s,
               fa1 * ga.d + one[1] * g1.d + two[1] * g2.d + all4.v * gb.d + f1 * h1.d + f2 * h2.d,
               f1 * h1.g + f2 * h2.g)
    # curvature of the squares themselves, then products of gradients
    h = Upper(0.0, 0.0, 0.0, 0.0, 0.0, 2.0 * (f1 * c1 + f2 * c2))
    for f, at in ((fa1, 1), (one[1], 3), (two[1], 5), (all4.v, 7), (f1, 9), (f2, 12)):
        way = Triple(crit[at], crit[at + 1], 0.0)
        h = _outer(h, 2.0 * f, way, way)
    for f, x, y in ((fa2, ga, ga), (one[3], g1, g1), (2.0 * one[4], g1, h2), (two[3], g2, g2),
                    (2.0 * two[4], g2, h1), (all4.vv, gb, gb), (2.0 * all4.vr, gb, h1),
                    (2.0 * all4.vt, gb, h2), (two[5] + all4.rr, h1, h1),
                    (one[5] + all4.tt, h2, h2), (2.0 * all4.rt, h1, h2)):
        h = _outer(h, f, x, y)
    size = (0.25 * total) ** (0.5 / m)
    way = size * 0.5 / (m * total)
    h = _outer(h, (0.5 / m - 1.0) / total, n, n)
    return Size(size, Triple(way * n.s, way * n.d, way * n.g),
                Upper(way * h.m00, way * h.m01, way * h.m02, way * h.m11, way * h.m12,
                      way * h.m22))


@nb.njit(cache=True)
def measure(s, d, g, crit):
    """Equivalent stress of (s, d, g) by the packed criterion, with first and second derivatives.

    total = Q1^m + 2 sum_j binomial(2m, 2j) V^(m-j) Q2^j is 2 size^(2m); f1, f2, f3 are its
    derivatives by Q1, Q2, V, and a, b, e the gradients of these forms by (s, d, g).
    """
    if crit[0] < 0.0:
        return _transformed(s, d, g, crit)
    m = int(crit[0])
    q1 = crit[1] * s * s + 2.0 * crit[2] * s * d + crit[3] * d * d + crit[4] * g * g
    q2 = crit[5] * s * s + 2.0 * crit[6] * s * d + crit[7] * d * d + crit[8] * g * g
    v = crit[9] * s * s + 2.0 * crit[10] * s * d + crit[11] * d * d + crit[12] * g * g
    total = q1**m
    f1, f2, f3 = m * q1 ** (m - 1), 0.0, 0.0
    f11, f22, f33, f23 = 0.0, 0.0, 0.0, 0.0
    if m > 1:
        f11 = m * (m - 1) * q1 ** (m - 2)
    for j in range(m + 1):
        c, k = 2.0 * crit[13 + j], m - j
        vk = v**k
        qj = q2**j
        total += c * vk * qj
        if j > 0:
            f2 += c * vk * j * q2 ** (j - 1)
        if k > 0:
            f3 += c * k * v ** (k - 1) * qj
        if j > 1:
            f22 += c * vk * j * (j - 1) * q2 ** (j - 2)
        if k > 1:
            f33 += c * k * (k - 1) * v ** (k - 2) * qj
        if j > 0 and k > 0:
            f23 += c * k * v ** (k - 1) * j * q2 ** (j - 1)
    size = (0.5 * total) ** (0.5 / m)
    a0, a1, a2 = (2.0 * (crit[1] * s + crit[2] * d), 2.0 * (crit[2] * s + crit[3] * d),
                  2.0 * crit[4] * g)
    b0, b1, b2 = (2.0 * (crit[5] * s + crit[6] * d), 2.0 * (crit[6] * s + crit[7] * d),
                  2.0 * crit[8] * g)
    e0, e1, e2 = (2.0 * (crit[9] * s + crit[10] * d), 2.0 * (crit[10] * s + crit[11] * d),
                  2.0 * crit[12] * g)
    n0 = f1 * a0 + f2 * b0 + f3 * e0
    n1 = f1 * a1 + f2 * b1 + f3 * e1
    n2 = f1 * a2 + f2 * b2 + f3 * e2
    # size = (total / 2)^(1 / 2m), so dsize = way dtotal, d2size = way (d2total + less dtotal^2)
    less = (0.5 / m - 1.0) / total
    way = size * 0.5 / (m * total)
    ss = 2.0 * (f1 * crit[1] + f2 * crit[5] + f3 * crit[9])
    sd = 2.0 * (f1 * crit[2] + f2 * crit[6] + f3 * crit[10])
    dd = 2.0 * (f1 * crit[3] + f2 * crit[7] + f3 * crit[11])
    gg = 2.0 * (f1 * crit[4] + f2 * crit[8] + f3 * crit[12])
    h00 = ss + f11 * a0 * a0 + f22 * b0 * b0 + f33 * e0 * e0 + 2.0 * f23 * b0 * e0
    h01 = sd + f11 * a0 * a1 + f22 * b0 * b1 + f33 * e0 * e1 + f23 * (b0 * e1 + b1 * e0)
    h02 = f11 * a0 * a2 + f22 * b0 * b2 + f33 * e0 * e2 + f23 * (b0 * e2 + b2 * e0)
    h11 = dd + f11 * a1 * a1 + f22 * b1 * b1 + f33 * e1 * e1 + 2.0 * f23 * b1 * e1
    h12 = f11 * a1 * a2 + f22 * b1 * b2 + f33 * e1 * e2 + f23 * (b1 * e2 + b2 * e1)
    h22 = gg + f11 * a2 * a2 + f22 * b2 * b2 + f33 * e2 * e2 + 2.0 * f23 * b2 * e2
    return Size(size, Triple(way * n0, way * n1, way * n2),
                Upper(way * (h00 + less * n0 * n0), way * (h01 + less * n0 * n1),
                      way * (h02 + less * n0 * n2), way * (h11 + less * n1 * n1),
                      way * (h12 + less * n1 * n2), way * (h22 + less * n2 * n2)))
