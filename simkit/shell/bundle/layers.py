"""Layers of a bundle: logarithmic strain, stress, stiffness."""

from __future__ import annotations

import numba as nb

from simkit.kernels.simd import broadcast8
from simkit.kernels.vectors import exceeds8, load, max8, polynomial8, store
from simkit.shell.bundle.rows import (
    ACTIVE,
    AREA,
    BENDING,
    LOG_STRAIN,
    MEMBRANE,
    MODULI,
    OUT_OF_RANGE,
    PLASTIC_WORK,
    RESULTANTS,
    SECTION,
    SERIES,
    STORED,
    STRESS,
    YIELDING,
)

ARTANH = (1.0, 1 / 3, 1 / 5, 1 / 7, 1 / 9, 1 / 11, 1 / 13, 1 / 15)
"""artanh(x) / x by powers of x^2."""
# first and second derivatives by x^2; at the limits of `logarithms` the first term left out is
# below 2e-15 in the two series above and below 1e-12 in the last, which the tangent alone needs
ARTANH_FIRST = (1 / 3, 2 / 5, 3 / 7, 4 / 9, 5 / 11, 6 / 13, 7 / 15, 8 / 17)
ARTANH_SECOND = (2 / 5, 6 / 7, 12 / 9, 20 / 11, 30 / 13, 42 / 15, 56 / 17)


@nb.njit(cache=True, inline="always")
def logarithms(w, z):
    """Write the logarithmic strain at height z and the factors of its derivatives.

    Formulas as in :mod:`simkit.shell.logstrain`, but with H_s = log(1 + w) / 2 = artanh(s),
    w = c^2 - r - 1, s = w / (2 + w). Marks lanes where the series are not accurate (s^2 above
    0.0144 or r / c^2 above 0.015).
    """
    one, two = broadcast8(1.0), broadcast8(2.0)
    e0 = load(w, MEMBRANE) + z * load(w, BENDING)
    d = load(w, MEMBRANE + 1) + z * load(w, BENDING + 1)
    g = load(w, MEMBRANE + 2) + z * load(w, BENDING + 2)
    c = one + e0
    r = d * d + g * g
    grow = e0 * (two + e0) - r
    s = grow / (two + grow)
    y2 = s * s
    half_log = s * polynomial8(y2, ARTANH)
    ic = one / c
    y = r * ic * ic
    f, f1, f2 = polynomial8(y, ARTANH), polynomial8(y, ARTANH_FIRST), polynomial8(y, ARTANH_SECOND)
    k = f * ic
    ic3 = ic * ic * ic
    store(w, SERIES, one / (one + grow))
    store(w, SERIES + 1, k)
    store(w, SERIES + 2, f1 * ic3)
    store(w, SERIES + 3, f2 * ic3 * ic * ic)
    store(w, LOG_STRAIN, half_log)
    store(w, LOG_STRAIN + 1, k * d)
    store(w, LOG_STRAIN + 2, k * g)
    store(w, OUT_OF_RANGE, load(w, OUT_OF_RANGE) + exceeds8(y2, broadcast8(0.0144))
          + exceeds8(y, broadcast8(0.015)) + exceeds8(broadcast8(1e-300), c))


@nb.njit(cache=True, inline="always")
def try_elastic(w, state, d1, shear, bound):
    """Write the elastic stress of one layer, its tangent and energies, and mark lanes that yield.

    ``state`` is the address of the layer's packed rows; d1 and shear are the elastic constants of
    :class:`simkit.shell.bundle.records.LawNumbers`; bound as in ``BundleSection``.
    """
    half, quarter = broadcast8(0.5), broadcast8(0.25)
    es, ed = load(w, LOG_STRAIN) - load(state, 0), load(w, LOG_STRAIN + 1) - load(state, 1)
    eg = load(w, LOG_STRAIN + 2) - load(state, 2)
    ts, td, tg = d1 * es, broadcast8(2.0) * shear * ed, shear * eg
    xs, xd = ts - load(state, 3), td - load(state, 4)
    xg = tg - load(state, 5)
    # square of the von Mises stress in plane stress: s^2/4 + 3 d^2/4 + 3 g^2 with s = s11 + s22,
    # d = s11 - s22, g = s12, of the stress less the backstress
    over = quarter * xs * xs + broadcast8(0.75) * xd * xd + broadcast8(3.0) * xg * xg
    store(w, YIELDING, load(w, ACTIVE) * exceeds8(over, max8(load(state, 6), bound)))
    store(w, STRESS, half * ts)
    store(w, STRESS + 1, half * td)
    store(w, STRESS + 2, tg)
    store(w, SERIES + 4, quarter * (ts * es + td * ed) + half * tg * eg)
    store(w, SERIES + 5, load(state, 7))
    nothing = broadcast8(0.0)
    store(w, MODULI, half * d1)
    store(w, MODULI + 1, nothing)
    store(w, MODULI + 2, nothing)
    store(w, MODULI + 3, shear)
    store(w, MODULI + 4, nothing)
    store(w, MODULI + 5, shear)


@nb.njit(cache=True, inline="always")
def add_layer(w, z, weight):
    """Add one layer's resultants and energies: S = F' T with F = dH/dE, see `integrate_layers`."""
    e0 = load(w, MEMBRANE) + z * load(w, BENDING)
    d = load(w, MEMBRANE + 1) + z * load(w, BENDING + 1)
    g = load(w, MEMBRANE + 2) + z * load(w, BENDING + 2)
    q, k, kr = load(w, SERIES), load(w, SERIES + 1), load(w, SERIES + 2)
    ts, td, tg = load(w, STRESS), load(w, STRESS + 1), load(w, STRESS + 2)
    share = weight * load(w, AREA)
    store(w, STORED, load(w, STORED) + share * load(w, SERIES + 4))
    store(w, PLASTIC_WORK, load(w, PLASTIC_WORK) + share * load(w, SERIES + 5))
    kr2 = broadcast8(2.0) * kr
    cross = d * g * kr2
    qw = q * weight
    s0 = qw * ((broadcast8(1.0) + e0) * ts - d * td - g * tg)
    s1 = weight * ((k + d * d * kr2) * td + cross * tg) - qw * d * ts
    s2 = weight * (cross * td + (k + g * g * kr2) * tg) - qw * g * ts
    store(w, RESULTANTS, load(w, RESULTANTS) + s0)
    store(w, RESULTANTS + 1, load(w, RESULTANTS + 1) + s1)
    store(w, RESULTANTS + 2, load(w, RESULTANTS + 2) + s2)
    store(w, RESULTANTS + 3, load(w, RESULTANTS + 3) + z * s0)
    store(w, RESULTANTS + 4, load(w, RESULTANTS + 4) + z * s1)
    store(w, RESULTANTS + 5, load(w, RESULTANTS + 5) + z * s2)


@nb.njit(cache=True, inline="always")
def add_stiffness(w, at, z, v):
    """Add one entry of a layer's stiffness to A, B and D."""
    store(w, SECTION + at, load(w, SECTION + at) + v)
    store(w, SECTION + 6 + at, load(w, SECTION + 6 + at) + z * v)
    store(w, SECTION + 12 + at, load(w, SECTION + 12 + at) + z * z * v)


@nb.njit(cache=True, inline="always")
def add_stiff_layer(w, z, weight):
    """Add one layer's stiffness: F' C F plus sum_j T_j d2H_j / dE dE.

    F = dH/dE; the second derivatives are those of :func:`simkit.shell.logstrain.add_second`.
    """
    one, two, four, six = broadcast8(1.0), broadcast8(2.0), broadcast8(4.0), broadcast8(6.0)
    d = load(w, MEMBRANE + 1) + z * load(w, BENDING + 1)
    g = load(w, MEMBRANE + 2) + z * load(w, BENDING + 2)
    c = one + load(w, MEMBRANE) + z * load(w, BENDING)
    q, k, kr, krr = load(w, SERIES), load(w, SERIES + 1), load(w, SERIES + 2), load(w, SERIES + 3)
    ts, td, tg = load(w, STRESS), load(w, STRESS + 1), load(w, STRESS + 2)
    nothing = broadcast8(0.0)
    f00, f01, f02 = c * q, nothing - d * q, nothing - g * q
    f11, f12, f22 = k + two * d * d * kr, two * d * g * kr, k + two * g * g * kr
    c00, c01, c02 = load(w, MODULI), load(w, MODULI + 1), load(w, MODULI + 2)
    c11 = load(w, MODULI + 3)
    c12, c22 = load(w, MODULI + 4), load(w, MODULI + 5)
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
