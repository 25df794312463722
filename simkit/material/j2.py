"""Plane-stress J2 plasticity at one point: implicit return mapping and consistent tangent.

Simo and Taylor 1986 (plane-stress return mapping, one scalar equation), with isotropic hardening
and Armstrong-Frederick backstress terms dX = 2/3 C dep - gamma X dp, all integrated by backward
Euler. The elasticity matrix and the J2 metric have the same eigenvectors, so the return mapping is
written in

    (s, d, g): strain e11 + e22, e11 - e22, 2 e12; stress s11 + s22, s11 - s22, s12,

in which both are diagonal. Stresses are returned as work conjugates of (s, d, g):
``t = (sigma_s / 2, sigma_d / 2, sigma_12)``.

With u = increment of equivalent plastic strain, q = flow stress at p + u, xi = stress minus
backstress, lambda = (E / (3 (1 - nu)), 2G, 2G) and a_k = 1 / (1 + gamma_k u):

    xi_i = (T_i - sum a_k beta_k,i) / (1 + u / q (3/2 lambda_i + sum a_k C_k)),
    sqrt(xi_s^2 / 4 + 3/4 xi_d^2 + 3 xi_g^2) = q(p + u).

Here T is the elastic trial stress. The backstress is stored as beta with beta_33 = 0 and
dev(beta) = X. Armstrong-Frederick recovery makes the exact tangent slightly unsymmetric;
``symmetrise`` returns its symmetric part.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numba as nb
import numpy as np

SWIFT, VOCE, TABLE = 0, 1, 2
LAW_HEADER = 8
"""Packed sheet: E, nu, kind of law, number of backstress terms, C1, gamma1, C2, gamma2, then the
numbers of the law, from this index on."""
BACKSTRESS_OFFSET = 5
"""State of a point: plastic strain s, d, g; equivalent plastic strain p; plastic work density
(MPa); then, from this index on, three components s, d, 12 of beta for each backstress term."""


class Increment(NamedTuple):
    """A plastic increment.

    u: increment of equivalent plastic strain; q, q0: flow stress after and before, MPa; h: slope
    of the flow stress, MPa; mises, slope: von Mises stress of xi and its derivative by u, MPa;
    d1 = E / (1 - nu) and shear = G, MPa.
    """

    u: float
    q: float
    q0: float
    h: float
    mises: float
    slope: float
    d1: float
    shear: float


@nb.njit(cache=True, inline="always")
def flow_stress(kind, law, p):
    """Flow stress (MPa) and its slope at equivalent plastic strain p; `law` is a packed sheet."""
    if kind == SWIFT:
        base = law[LAW_HEADER + 1] + p
        stress = law[LAW_HEADER] * base ** law[LAW_HEADER + 2]
        return stress, law[LAW_HEADER + 2] * stress / base
    if kind == VOCE:
        gap = (law[LAW_HEADER + 1] - law[LAW_HEADER]) * math.exp(-law[LAW_HEADER + 2] * p)
        return (law[LAW_HEADER + 1] - gap + law[LAW_HEADER + 3] * p,
                law[LAW_HEADER + 2] * gap + law[LAW_HEADER + 3])
    m = int(law[LAW_HEADER])
    first, values = LAW_HEADER + 1, LAW_HEADER + 1 + m
    if p >= law[first + m - 1]:
        return law[values + m - 1], 0.0
    low, high = 0, m - 1
    while high - low > 1:
        middle = (low + high) // 2
        if law[first + middle] <= p:
            low = middle
        else:
            high = middle
    slope = (law[values + high] - law[values + low]) / (law[first + high] - law[first + low])
    return law[values + low] + slope * (p - law[first + low]), slope


@nb.njit(cache=True)
def _scalar_terms(u, q, h, terms, law, old, T, xi, xi_u):
    """Set xi and d xi / du at increment u; return (von Mises stress of xi, its derivative by u).

    A name with _u is the derivative by u of the name without it.
    """
    young, nu = law[0], law[1]
    stiff, stiff_u = 0.0, 0.0
    bs, bd, bg, bs_u, bd_u, bg_u = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(terms):
        c, gam = law[4 + 2 * k], law[5 + 2 * k]
        a = 1.0 / (1.0 + gam * u)
        a_u = -gam * a * a
        stiff += a * c
        stiff_u += a_u * c
        at = BACKSTRESS_OFFSET + 3 * k
        bs += a * old[at]
        bd += a * old[at + 1]
        bg += a * old[at + 2]
        bs_u += a_u * old[at]
        bd_u += a_u * old[at + 1]
        bg_u += a_u * old[at + 2]
    ratio = u / q
    ratio_u = (q - u * h) / (q * q)
    # 3/2 lambda_i + sum a_k C_k: l1 for the s component, l2 for d and g
    l1 = 1.5 * young / (3.0 * (1.0 - nu)) + stiff
    l2 = 1.5 * young / (1.0 + nu) + stiff
    w1, w2 = 1.0 + ratio * l1, 1.0 + ratio * l2
    w1_u = ratio_u * l1 + ratio * stiff_u
    w2_u = ratio_u * l2 + ratio * stiff_u
    xi[0] = (T[0] - bs) / w1
    xi[1] = (T[1] - bd) / w2
    xi[2] = (T[2] - bg) / w2
    xi_u[0] = (-bs_u - xi[0] * w1_u) / w1
    xi_u[1] = (-bd_u - xi[1] * w2_u) / w2
    xi_u[2] = (-bg_u - xi[2] * w2_u) / w2
    mises = math.sqrt(0.25 * xi[0] ** 2 + 0.75 * xi[1] ** 2 + 3.0 * xi[2] ** 2)
    slope = (0.25 * xi[0] * xi_u[0] + 0.75 * xi[1] * xi_u[1] + 3.0 * xi[2] * xi_u[2]) / mises
    return mises, slope


@nb.njit(cache=True)
def _increment(law, kind, terms, old, T, xi, xi_u, mises0, q0, h0):
    """Increment u of equivalent plastic strain: root of mises(xi(u)) - q(p + u).

    Newton's method, with bisection where a step leaves the interval that encloses the root.
    """
    # upper bound: without backstress mises <= mises0 / (1 + u G / q), since 3/2 lambda_i >= G, so
    # the root is below mises0 / G; twice that leaves room for the change of the backstress
    shear = 0.5 * law[0] / (1.0 + law[1])
    low, high = 0.0, mises0 / (0.5 * shear) + 1e-12
    u = (mises0 - q0) / (3.0 * shear + max(h0, 0.0))
    p = old[3]
    for _ in range(80):
        q, h = flow_stress(kind, law, p + u)
        mises, slope = _scalar_terms(u, q, h, terms, law, old, T, xi, xi_u)
        gap = mises - q
        if abs(gap) <= 1e-12 * q:
            break
        if gap > 0.0:
            low = u
        else:
            high = u
        step = u - gap / (slope - h)
        if not (low < step < high):
            step = 0.5 * (low + high)
        if step == u:
            break
        u = step
    return u


@nb.njit(cache=True)
def update_point(e, old, new, t, c, law, work, symmetrise, tangent):
    """Stress, tangent and new state of one point.

    e (3,) total strain (s, d, g); old, new (BACKSTRESS_OFFSET + 3 terms,) states; t (3,) stress
    out; c (3, 3) tangent dt/de out, set only with `tangent`; law packed sheet; work (9,) scratch.
    Returns True if the point yields.
    """
    young, nu = law[0], law[1]
    kind, terms = int(law[2]), int(law[3])
    d1 = young / (1.0 - nu)
    shear = 0.5 * young / (1.0 + nu)
    T, xi, xi_u = work[0:3], work[3:6], work[6:9]
    T[0] = d1 * (e[0] - old[0])
    T[1] = 2.0 * shear * (e[1] - old[1])
    T[2] = shear * (e[2] - old[2])
    for i in range(new.size):
        new[i] = old[i]
    q0, h0 = flow_stress(kind, law, old[3])
    x0, x1, x2 = T[0], T[1], T[2]
    for k in range(terms):
        x0 -= old[BACKSTRESS_OFFSET + 3 * k]
        x1 -= old[BACKSTRESS_OFFSET + 3 * k + 1]
        x2 -= old[BACKSTRESS_OFFSET + 3 * k + 2]
    mises0 = math.sqrt(0.25 * x0 * x0 + 0.75 * x1 * x1 + 3.0 * x2 * x2)
    if mises0 <= q0 * (1.0 + 1e-12):
        t[0], t[1], t[2] = 0.5 * T[0], 0.5 * T[1], T[2]
        if tangent:
            for i in range(3):
                for j in range(3):
                    c[i, j] = 0.0
            c[0, 0], c[1, 1], c[2, 2] = 0.5 * d1, shear, shear
        return False
    u = _increment(law, kind, terms, old, T, xi, xi_u, mises0, q0, h0)
    q, h = flow_stress(kind, law, old[3] + u)
    mises, slope = _scalar_terms(u, q, h, terms, law, old, T, xi, xi_u)
    found = Increment(u, q, q0, h, mises, slope, d1, shear)
    _store(e, old, new, t, law, terms, xi, found)
    if tangent:
        _tangent(c, law, terms, xi, xi_u, found, symmetrise)
    return True


@nb.njit(cache=True)
def _store(e, old, new, t, law, terms, xi, found):
    """Write the new state and the stress t (3,) after a plastic increment; xi (3,)."""
    u, q, q0, d1, shear = found.u, found.q, found.q0, found.d1, found.shear
    flow = 1.5 * u / q
    ds, dd, dg = flow * xi[0] / 3.0, flow * xi[1], flow * 2.0 * xi[2]
    new[0], new[1], new[2], new[3] = old[0] + ds, old[1] + dd, old[2] + dg, old[3] + u
    t[0] = 0.5 * d1 * (e[0] - new[0])
    t[1] = shear * (e[1] - new[1])
    t[2] = shear * (e[2] - new[2])
    # plastic work sigma : dep = q dp + X : dep, integrated by the trapezoidal rule over u
    work = 0.5 * (q0 + q) * u
    for k in range(terms):
        c, gam = law[4 + 2 * k], law[5 + 2 * k]
        a = 1.0 / (1.0 + gam * u)
        at = BACKSTRESS_OFFSET + 3 * k
        new[at] = a * (old[at] + c * u / q * xi[0])
        new[at + 1] = a * (old[at + 1] + c * u / q * xi[1])
        new[at + 2] = a * (old[at + 2] + c * u / q * xi[2])
        work += 0.5 * (0.5 * (old[at] + new[at]) * ds + 0.5 * (old[at + 1] + new[at + 1]) * dd
                       + (old[at + 2] + new[at + 2]) * dg)
    new[4] = old[4] + work


@nb.njit(cache=True)
def _tangent(c, law, terms, xi, xi_u, found, symmetrise):
    """Set the consistent tangent c = dt/de (3, 3) after a plastic increment; xi, xi_u (3,).

    t depends on the trial stress T directly and through u; du/dT follows from
    mises(T, u) = q(p + u): du/dT_j = -(dmises/dT_j) / (slope - h).
    """
    u, q, h, d1, shear = found.u, found.q, found.h, found.d1, found.shear
    mises, slope = found.mises, found.slope
    stiff = 0.0
    for k in range(terms):
        stiff += law[4 + 2 * k] / (1.0 + law[5 + 2 * k] * u)
    ratio, ratio_u = u / q, (q - u * h) / (q * q)
    fall = slope - h
    for i in range(3):
        lam = d1 / 3.0 if i == 0 else 2.0 * shear
        own = d1 if i == 0 else (2.0 * shear if i == 1 else shear)
        half = 1.0 if i == 2 else 0.5
        w = 1.0 + ratio * (1.5 * lam + stiff)
        column = half * 1.5 * lam * (ratio * xi_u[i] + ratio_u * xi[i])
        for j in range(3):
            lam_j = d1 / 3.0 if j == 0 else 2.0 * shear
            own_j = d1 if j == 0 else (2.0 * shear if j == 1 else shear)
            metric = 0.25 if j == 0 else (0.75 if j == 1 else 3.0)
            w_j = 1.0 + ratio * (1.5 * lam_j + stiff)
            c[i, j] = column * metric * xi[j] / (mises * w_j * fall) * own_j
        c[i, i] += half * own * (1.0 - 1.5 * lam * ratio / w)
    if symmetrise:
        for i in range(3):
            for j in range(i):
                mean = 0.5 * (c[i, j] + c[j, i])
                c[i, j] = mean
                c[j, i] = mean


def state_size(law: np.ndarray) -> int:
    """Number of state variables of a point, for a packed sheet."""
    return BACKSTRESS_OFFSET + 3 * int(law.flat[3])
