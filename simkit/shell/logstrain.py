"""Logarithmic in-plane strain of a 2 x 2 metric, with exact first and second derivatives.

With Green-Lagrange strain (s, d, g) = (E11 + E22, E11 - E22, 2 E12) in an orthonormal frame, the
stretch C = I + 2E has c = 1 + s and r = d^2 + g^2, eigenvalues c +- sqrt(r), and H = ln(C) / 2 is

    H_s = ln(c^2 - r) / 2,   H_d = k d,   H_g = k g,   k = f(r / c^2) / c,
    f(y) = artanh(sqrt y) / sqrt y = 1 + y/3 + y^2/5 + ...

No spectral decomposition is needed and nothing is singular at equal stretches. Plasticity with an
additive split of H follows Miehe, Apel and Lambrecht 2002 (CMAME 191). The stress T conjugate to H
is, in plane stress, the Kirchhoff stress in the rotated frame, so thinning is included.
"""

from __future__ import annotations

import math

import numba as nb


@nb.njit(cache=True)
def log_strain(e, h, first):
    """Log strain h (3,) and its derivative ``first`` (3, 3) at Green-Lagrange strain e (3,).

    Returns (Q, k, k_r, k_rr) for :func:`add_second`; Q = 1 / (c^2 - r), or -1 if the metric is
    not positive (an inverted element), in which case nothing else is set.
    """
    c, d, g = 1.0 + e[0], e[1], e[2]
    r = d * d + g * g
    det = c * c - r
    if c <= 0.0 or det <= 0.0:
        return -1.0, 0.0, 0.0, 0.0
    y = r / (c * c)
    # f and its first two derivatives by y. Near y = 0 the closed form loses digits by cancellation;
    # there the series is used, whose first term left out is y^9/19, 3e-17 at y = 0.02.
    if y < 0.02:
        f = 1.0 + y * (1 / 3 + y * (1 / 5 + y * (1 / 7 + y * (1 / 9 + y * (1 / 11 + y * (
            1 / 13 + y * (1 / 15 + y / 17)))))))
        f1 = 1 / 3 + y * (2 / 5 + y * (3 / 7 + y * (4 / 9 + y * (5 / 11 + y * (6 / 13 + y * (
            7 / 15 + y * 8 / 17))))))
        f2 = 2 / 5 + y * (6 / 7 + y * (12 / 9 + y * (20 / 11 + y * (30 / 13 + y * (
            42 / 15 + y * 56 / 17)))))
    else:
        root = math.sqrt(y)
        f = math.atanh(root) / root
        f1 = 0.5 * (1.0 / (1.0 - y) - f) / y
        f2 = 0.5 * (1.0 / ((1.0 - y) * (1.0 - y)) - 3.0 * f1) / y
    q = 1.0 / det
    # k and its derivatives by r at constant c, as y = r / c^2
    k = f / c
    k_r = f1 / (c * c * c)
    k_rr = f2 / (c * c * c * c * c)
    h[0] = 0.5 * math.log(det)
    h[1] = k * d
    h[2] = k * g
    first[0, 0] = c * q
    first[0, 1] = first[1, 0] = -d * q
    first[0, 2] = first[2, 0] = -g * q
    first[1, 1] = k + 2.0 * d * d * k_r
    first[1, 2] = first[2, 1] = 2.0 * d * g * k_r
    first[2, 2] = k + 2.0 * g * g * k_r
    return q, k, k_r, k_rr


@nb.njit(cache=True)
def add_second(e, t, q, k_r, k_rr, a):
    """Add sum_j t_j d2H_j / dE dE to the symmetric matrix a (3, 3).

    This is the geometric part of the tangent: stress t times the second derivative of strain.
    """
    c, d, g = 1.0 + e[0], e[1], e[2]
    qq = q * q
    ts, td, tg = t[0], t[1], t[2]
    a[0, 0] += ts * (q - 2.0 * c * c * qq) + 2.0 * c * qq * (td * d + tg * g)
    sd = 2.0 * ts * c * d * qq - td * (q + 2.0 * d * d * qq) - 2.0 * tg * d * g * qq
    sg = 2.0 * ts * c * g * qq - 2.0 * td * d * g * qq - tg * (q + 2.0 * g * g * qq)
    dd = (-ts * (q + 2.0 * d * d * qq) + td * (6.0 * d * k_r + 4.0 * d * d * d * k_rr)
          + tg * (2.0 * g * k_r + 4.0 * d * d * g * k_rr))
    dg = (-2.0 * ts * d * g * qq + td * (2.0 * g * k_r + 4.0 * d * d * g * k_rr)
          + tg * (2.0 * d * k_r + 4.0 * d * g * g * k_rr))
    gg = (-ts * (q + 2.0 * g * g * qq) + td * (2.0 * d * k_r + 4.0 * d * g * g * k_rr)
          + tg * (6.0 * g * k_r + 4.0 * g * g * g * k_rr))
    a[0, 1] += sd
    a[1, 0] += sd
    a[0, 2] += sg
    a[2, 0] += sg
    a[1, 1] += dd
    a[1, 2] += dg
    a[2, 1] += dg
    a[2, 2] += gg
