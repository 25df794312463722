"""Layers of a bundle: logarithmic strain, stress, stiffness."""

from __future__ import annotations

import numba as nb

from simkit.kernels.simd import same8
from simkit.kernels.vectors import beyond8, keep, larger8, row, series8
from simkit.shell.bundle.rows import (
    ACTIVE,
    AREA,
    EM,
    FLOW,
    KB,
    LOG,
    MARK,
    PART,
    RES,
    SPENT,
    STIFF,
    STORED,
    C,
    T,
)

ODD = (1.0, 1 / 3, 1 / 5, 1 / 7, 1 / 9, 1 / 11, 1 / 13, 1 / 15)
"""artanh(x) / x by powers of x^2."""
FIRST = (1 / 3, 2 / 5, 3 / 7, 4 / 9, 5 / 11, 6 / 13, 7 / 15, 8 / 17)
SECOND = (2 / 5, 6 / 7, 12 / 9, 20 / 11, 30 / 13, 42 / 15, 56 / 17)
"""Its first and second derivatives by x^2."""


@nb.njit(cache=True, inline="always")
def logarithms(w, z):
    """Logarithmic strain at height z, the parts of its derivatives; marks what is beyond them."""
    one, two = same8(1.0), same8(2.0)
    e0 = row(w, EM) + z * row(w, KB)
    d = row(w, EM + 1) + z * row(w, KB + 1)
    g = row(w, EM + 2) + z * row(w, KB + 2)
    c = one + e0
    r = d * d + g * g
    grow = e0 * (two + e0) - r
    s = grow / (two + grow)
    y2 = s * s
    half_log = s * series8(y2, ODD)
    ic = one / c
    y = r * ic * ic
    f, f1, f2 = series8(y, ODD), series8(y, FIRST), series8(y, SECOND)
    k = f * ic
    ic3 = ic * ic * ic
    keep(w, PART, one / (one + grow))
    keep(w, PART + 1, k)
    keep(w, PART + 2, f1 * ic3)
    keep(w, PART + 3, f2 * ic3 * ic * ic)
    keep(w, LOG, half_log)
    keep(w, LOG + 1, k * d)
    keep(w, LOG + 2, k * g)
    keep(w, MARK, row(w, MARK) + beyond8(y2, same8(0.0144)) + beyond8(y, same8(0.015))
         + beyond8(same8(1e-300), c))


@nb.njit(cache=True, inline="always")
def try_elastic(w, state, d1, shear, bound):
    """Elastic stress of one layer, its tangent and energies; which lanes yield. ``state`` is the
    address of the layer's rows."""
    half, quarter = same8(0.5), same8(0.25)
    es, ed = row(w, LOG) - row(state, 0), row(w, LOG + 1) - row(state, 1)
    eg = row(w, LOG + 2) - row(state, 2)
    ts, td, tg = d1 * es, same8(2.0) * shear * ed, shear * eg
    xs, xd = ts - row(state, 3), td - row(state, 4)
    xg = tg - row(state, 5)
    over = quarter * xs * xs + same8(0.75) * xd * xd + same8(3.0) * xg * xg
    keep(w, FLOW, row(w, ACTIVE) * beyond8(over, larger8(row(state, 6), bound)))
    keep(w, T, half * ts)
    keep(w, T + 1, half * td)
    keep(w, T + 2, tg)
    keep(w, PART + 4, quarter * (ts * es + td * ed) + half * tg * eg)
    keep(w, PART + 5, row(state, 7))
    nothing = same8(0.0)
    keep(w, C, half * d1)
    keep(w, C + 1, nothing)
    keep(w, C + 2, nothing)
    keep(w, C + 3, shear)
    keep(w, C + 4, nothing)
    keep(w, C + 5, shear)


@nb.njit(cache=True, inline="always")
def add_layer(w, z, weight):
    """Add one layer's resultants and energy."""
    e0 = row(w, EM) + z * row(w, KB)
    d = row(w, EM + 1) + z * row(w, KB + 1)
    g = row(w, EM + 2) + z * row(w, KB + 2)
    q, k, kr = row(w, PART), row(w, PART + 1), row(w, PART + 2)
    ts, td, tg = row(w, T), row(w, T + 1), row(w, T + 2)
    share = weight * row(w, AREA)
    keep(w, STORED, row(w, STORED) + share * row(w, PART + 4))
    keep(w, SPENT, row(w, SPENT) + share * row(w, PART + 5))
    kr2 = same8(2.0) * kr
    cross = d * g * kr2
    qw = q * weight
    s0 = qw * ((same8(1.0) + e0) * ts - d * td - g * tg)
    s1 = weight * ((k + d * d * kr2) * td + cross * tg) - qw * d * ts
    s2 = weight * (cross * td + (k + g * g * kr2) * tg) - qw * g * ts
    keep(w, RES, row(w, RES) + s0)
    keep(w, RES + 1, row(w, RES + 1) + s1)
    keep(w, RES + 2, row(w, RES + 2) + s2)
    keep(w, RES + 3, row(w, RES + 3) + z * s0)
    keep(w, RES + 4, row(w, RES + 4) + z * s1)
    keep(w, RES + 5, row(w, RES + 5) + z * s2)


@nb.njit(cache=True, inline="always")
def add_stiffness(w, at, z, v):
    """Add one entry of a layer's stiffness to A, B and D."""
    keep(w, STIFF + at, row(w, STIFF + at) + v)
    keep(w, STIFF + 6 + at, row(w, STIFF + 6 + at) + z * v)
    keep(w, STIFF + 12 + at, row(w, STIFF + 12 + at) + z * z * v)


@nb.njit(cache=True, inline="always")
def add_stiff_layer(w, z, weight):
    """Add one layer's stiffness: F' C F and the stress on the second derivatives of the strain."""
    one, two, four, six = same8(1.0), same8(2.0), same8(4.0), same8(6.0)
    d = row(w, EM + 1) + z * row(w, KB + 1)
    g = row(w, EM + 2) + z * row(w, KB + 2)
    c = one + row(w, EM) + z * row(w, KB)
    q, k, kr, krr = row(w, PART), row(w, PART + 1), row(w, PART + 2), row(w, PART + 3)
    ts, td, tg = row(w, T), row(w, T + 1), row(w, T + 2)
    nothing = same8(0.0)
    f00, f01, f02 = c * q, nothing - d * q, nothing - g * q
    f11, f12, f22 = k + two * d * d * kr, two * d * g * kr, k + two * g * g * kr
    c00, c01, c02, c11 = row(w, C), row(w, C + 1), row(w, C + 2), row(w, C + 3)
    c12, c22 = row(w, C + 4), row(w, C + 5)
    p00, p01 = f00 * c00 + f01 * c01 + f02 * c02, f00 * c01 + f01 * c11 + f02 * c12
    p02 = f00 * c02 + f01 * c12 + f02 * c22
    p10, p11 = f01 * c00 + f11 * c01 + f12 * c02, f01 * c01 + f11 * c11 + f12 * c12
    p12 = f01 * c02 + f11 * c12 + f12 * c22
    p20, p21 = f02 * c00 + f12 * c01 + f22 * c02, f02 * c01 + f12 * c11 + f22 * c12
    p22 = f02 * c02 + f12 * c12 + f22 * c22
    qq2 = two * q * q
    dd, gg, dg = q + d * d * qq2, q + g * g * qq2, d * g * qq2
    add_stiffness(w, 0, z, weight * (
        p00 * f00 + p01 * f01 + p02 * f02 + ts * (q - c * c * qq2)
        + c * qq2 * (td * d + tg * g)))
    add_stiffness(w, 1, z, weight * (
        p00 * f01 + p01 * f11 + p02 * f12 + ts * c * d * qq2 - td * dd - tg * dg))
    add_stiffness(w, 2, z, weight * (
        p00 * f02 + p01 * f12 + p02 * f22 + ts * c * g * qq2 - td * dg - tg * gg))
    u, v = two * g * kr + four * d * d * g * krr, two * d * kr + four * d * g * g * krr
    add_stiffness(w, 3, z, weight * (
        p10 * f01 + p11 * f11 + p12 * f12 - ts * dd
        + td * (six * d * kr + four * d * d * d * krr) + tg * u))
    add_stiffness(w, 4, z, weight * (
        p10 * f02 + p11 * f12 + p12 * f22 - ts * dg + td * u + tg * v))
    add_stiffness(w, 5, z, weight * (
        p20 * f02 + p21 * f12 + p22 * f22 - ts * gg + td * v
        + tg * (six * g * kr + four * g * g * g * krr)))
