"""Plane-stress plasticity of rolled sheet at one point: implicit return mapping, exact tangent.

The yield criterion is that of :mod:`simkit.material.locus`, with associated flow; hardening and
backstress are as in :mod:`simkit.material.j2`. The backstress grows in the direction of xi, the
stress less the backstress: dX = C xi / q dp - gamma X dp, which for von Mises is the law of j2.
"Size" is the equivalent stress of the criterion. With u the increment of equivalent plastic strain,
B_k the backstress at the beginning, n the gradient of the size, K = diag(d1 / 2, G, G) and a_k =
1 / (1 + gamma_k u), four equations are solved by Newton's method with a line search:

    xi (1 + u / q sum a_k C_k) + sum a_k B_k + u K n(xi) = K (e - plastic strain),
    size(xi) = q(p + u).

The law is given as two rows: that of j2, and the packed criterion. A third row [share, rate] lets
the modulus fall with plastic strain, E(p) = E (share + (1 - share) exp(-rate p)): K then depends on
u, and the elastic energy that the fall takes away counts as plastic work.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numba as nb

from simkit.material.j2 import BACKSTRESS_OFFSET, flow_stress
from simkit.material.measures import Triple, Upper, measure

MOST_ITERATIONS = 60
"""Newton iterations at one point; trials with stresses up to 40 times yield took at most 15."""
RESIDUAL_OVER_FLOW_STRESS = 1e-11
"""Residual over the flow stress at which the return mapping has converged."""


class Backstresses(NamedTuple):
    """Sum of a_k C_k and its derivative by u; sum of a_k B_k and its derivative, MPa."""

    c: float
    c_u: float
    b: Triple
    b_u: Triple


class Point(NamedTuple):
    """Input of the return mapping of one point.

    k0, k1: elastic stiffness of the s part and of the d and g parts without plastic strain, MPa;
    kind of hardening law; number of backstress terms; rows of law and criterion; state before the
    increment; strain less plastic strain before; end and rate of the fall of the modulus.
    """

    k0: float
    k1: float
    kind: int
    terms: int
    law: object
    criterion: object
    old: object
    apart: Triple
    end: float
    rate: float


class Elastic(NamedTuple):
    """Stiffness k0, k1 after an increment, MPa; the derivative of its logarithm by the increment;
    trial stress, MPa."""

    k0: float
    k1: float
    fall: float
    trial: Triple


@nb.njit(cache=True)
def _elastic(u, point):
    """:class:`Elastic` after an increment u of equivalent plastic strain."""
    share, fall = 1.0, 0.0
    if point.rate > 0.0:
        left = (1.0 - point.end) * math.exp(-point.rate * (point.old[3] + u))
        share = point.end + left
        fall = -point.rate * left / share
    k0, k1, e = share * point.k0, share * point.k1, point.apart
    return Elastic(k0, k1, fall, Triple(k0 * e.s, k1 * e.d, k1 * e.g))


@nb.njit(cache=True)
def _back(u, point):
    """Sums of :class:`Backstresses` after an increment u of equivalent plastic strain.

    The state keeps beta as in j2, whose s and d components are twice the conjugate ones, hence 0.5.
    """
    law, old = point.law, point.old
    c, c_u = 0.0, 0.0
    b0, b1, b2, s0, s1, s2 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(point.terms):
        gam = law[5 + 2 * k]
        a = 1.0 / (1.0 + gam * u)
        fall = -gam * a * a
        at = BACKSTRESS_OFFSET + 3 * k
        c += a * law[4 + 2 * k]
        c_u += fall * law[4 + 2 * k]
        b0 += 0.5 * a * old[at]
        b1 += 0.5 * a * old[at + 1]
        b2 += a * old[at + 2]
        s0 += 0.5 * fall * old[at]
        s1 += 0.5 * fall * old[at + 1]
        s2 += fall * old[at + 2]
    return Backstresses(c, c_u, Triple(b0, b1, b2), Triple(s0, s1, s2))


@nb.njit(cache=True)
def _solve(m, x):
    """Solve the symmetric 3 x 3 system m y = x by its cofactors."""
    a, b, c = (m.m11 * m.m22 - m.m12 * m.m12, m.m02 * m.m12 - m.m01 * m.m22,
               m.m01 * m.m12 - m.m02 * m.m11)
    d, e, f = (m.m00 * m.m22 - m.m02 * m.m02, m.m01 * m.m02 - m.m00 * m.m12,
               m.m00 * m.m11 - m.m01 * m.m01)
    det = m.m00 * a + m.m01 * b + m.m02 * c
    return Triple((a * x.s + b * x.d + c * x.g) / det, (b * x.s + d * x.d + e * x.g) / det,
                  (c * x.s + e * x.d + f * x.g) / det)


@nb.njit(cache=True)
def _residual(x, u, el, size, back, q):
    """Residuals of the three and the one equation, MPa, and their squared norm over q^2."""
    grown = 1.0 + back.c * u / q
    r0 = x.s * grown + back.b.s + u * el.k0 * size.n.s - el.trial.s
    r1 = x.d * grown + back.b.d + u * el.k1 * size.n.d - el.trial.d
    r2 = x.g * grown + back.b.g + u * el.k1 * size.n.g - el.trial.g
    g = size.value - q
    return Triple(r0, r1, r2), g, (r0 * r0 + r1 * r1 + r2 * r2 + g * g) / (q * q)


@nb.njit(cache=True)
def _tangent_of(u, el, size, grown):
    """Derivative of the first three equations by xi, divided by the elastic stiffness K."""
    h = size.h
    return Upper(grown / el.k0 + u * h.m00, u * h.m01, u * h.m02,
                 grown / el.k1 + u * h.m11, u * h.m12, grown / el.k1 + u * h.m22)


@nb.njit(cache=True)
def _with_growth(x, u, point, el, size, back, grown_u):
    """Derivative of the first three equations by u, divided by the elastic stiffness K."""
    n, e = size.n, point.apart
    v = Triple(n.s + (x.s * grown_u + back.b_u.s) / el.k0,
               n.d + (x.d * grown_u + back.b_u.d) / el.k1,
               n.g + (x.g * grown_u + back.b_u.g) / el.k1)
    if point.rate > 0.0:  # the stress of the elastic strain e - u n falls with the stiffness
        v = Triple(v.s - el.fall * (e.s - u * n.s), v.d - el.fall * (e.d - u * n.d),
                   v.g - el.fall * (e.g - u * n.g))
    return v


@nb.njit(cache=True)
def update_anisotropic(e, old, new, t, c, law, symmetrise, tangent):
    """Stress, tangent and new state of one point of rolled sheet.

    As :func:`simkit.material.j2.update_point`, with the law in two rows: elastic constants and
    hardening; criterion. Returns True if the point yields. If the mapping did not converge (never
    observed), the stress would be NaN, and the equilibrium iteration would reject it.
    """
    own = law[0]
    end, rate = (law[2, 0], law[2, 1]) if law.shape[0] > 2 else (1.0, 0.0)
    point = Point(0.5 * own[0] / (1.0 - own[1]), 0.5 * own[0] / (1.0 + own[1]), int(own[2]),
                  int(own[3]), own, law[1], old,
                  Triple(e[0] - old[0], e[1] - old[1], e[2] - old[2]), end, rate)
    el = _elastic(0.0, point)
    trial = el.trial
    for i in range(new.size):
        new[i] = old[i]
    q0, h0 = flow_stress(point.kind, own, old[3])
    b = _back(0.0, point).b
    x = Triple(trial.s - b.s, trial.d - b.d, trial.g - b.g)
    if x.s == 0.0 and x.d == 0.0 and x.g == 0.0:
        size = 0.0
    else:
        size = measure(x.s, x.d, x.g, point.criterion).value
    if size <= q0 * (1.0 + 1e-12):
        t[0], t[1], t[2] = trial.s, trial.d, trial.g
        if tangent:
            c[:] = 0.0
            c[0, 0], c[1, 1], c[2, 2] = el.k0, el.k1, el.k1
        return False
    # first guess: the radial return of von Mises plasticity; xi scaled back to the yield surface
    u = (size - q0) / (3.0 * el.k1 + max(h0, 0.0))
    x, u = _map(Triple(x.s * q0 / size, x.d * q0 / size, x.g * q0 / size), u, point)
    _finish(x, u, point, e, new, t, c, q0, symmetrise, tangent)
    return True


@nb.njit(cache=True)
def _map(x, u, point):
    """Return xi and u that satisfy all four equations, from a first guess of both.

    The Newton step eliminates xi: K m dxi + ... = -r gives dxi = -a - v du, and the yield
    condition gives du. The step is halved until the residual falls.
    """
    p = point.old[3]
    q, h = flow_stress(point.kind, point.law, p + u)
    back = _back(u, point)
    el, size = _elastic(u, point), measure(x.s, x.d, x.g, point.criterion)
    r, g, off = _residual(x, u, el, size, back, q)
    for _ in range(MOST_ITERATIONS):
        if off <= RESIDUAL_OVER_FLOW_STRESS * RESIDUAL_OVER_FLOW_STRESS:
            return x, u
        grown = 1.0 + back.c * u / q
        grown_u = back.c_u * u / q + back.c * (q - u * h) / (q * q)
        m, n = _tangent_of(u, el, size, grown), size.n
        a = _solve(m, Triple(r.s / el.k0, r.d / el.k1, r.g / el.k1))
        v = _solve(m, _with_growth(x, u, point, el, size, back, grown_u))
        du = (g - n.s * a.s - n.d * a.d - n.g * a.g) / (n.s * v.s + n.d * v.d + n.g * v.g + h)
        step = Triple(-a.s - v.s * du, -a.d - v.d * du, -a.g - v.g * du)
        share = 1.0 if u + du > 0.1 * u else -0.9 * u / du  # keeps u above a tenth of its value
        before, y, w = off, x, u
        for _half in range(12):
            y = Triple(x.s + share * step.s, x.d + share * step.d, x.g + share * step.g)
            w = u + share * du
            q, h = flow_stress(point.kind, point.law, p + w)
            back, el = _back(w, point), _elastic(w, point)
            size = measure(y.s, y.d, y.g, point.criterion)
            r, g, off = _residual(y, w, el, size, back, q)
            if off < before * (1.0 - 1e-4 * share):
                break
            share *= 0.5
        if off >= before and before <= 1e6 * RESIDUAL_OVER_FLOW_STRESS * RESIDUAL_OVER_FLOW_STRESS:
            return x, u  # only rounding is left
        x, u = y, w
    nothing = 0.0 * u
    return Triple(nothing / nothing, x.d, x.g), u


@nb.njit(cache=True)
def _finish(x, u, point, e, new, t, c, q0, symmetrise, tangent):
    """Write the new state, stress and consistent tangent after a plastic increment u.

    The tangent follows from the derivative of the four equations by each strain component.
    """
    el, own, old = _elastic(u, point), point.law, point.old
    k0, k1 = el.k0, el.k1
    q, h = flow_stress(point.kind, own, old[3] + u)
    back = _back(u, point)
    size = measure(x.s, x.d, x.g, point.criterion)
    n0, n1, n2 = size.n
    new[0], new[1], new[2] = old[0] + u * n0, old[1] + u * n1, old[2] + u * n2
    new[3] = old[3] + u
    t[0], t[1], t[2] = k0 * (e[0] - new[0]), k1 * (e[1] - new[1]), k1 * (e[2] - new[2])
    work = 0.5 * (q0 + q) * u
    for k in range(point.terms):
        a, at = 1.0 / (1.0 + own[5 + 2 * k] * u), BACKSTRESS_OFFSET + 3 * k
        grow = own[4 + 2 * k] * u / q
        new[at] = a * (old[at] + 2.0 * grow * x.s)
        new[at + 1] = a * (old[at + 1] + 2.0 * grow * x.d)
        new[at + 2] = a * (old[at + 2] + grow * x.g)
        work += 0.5 * u * (0.5 * (old[at] + new[at]) * n0 + 0.5 * (old[at + 1] + new[at + 1]) * n1
                           + (old[at + 2] + new[at + 2]) * n2)
    if point.rate > 0.0:
        # elastic energy times the relative fall of the stiffness, by the trapezoidal rule; at the
        # beginning the energy is that at the end by the flow stresses and stiffnesses
        before = _elastic(0.0, point)
        held = 0.5 * (t[0] * (e[0] - new[0]) + t[1] * (e[1] - new[1]) + t[2] * (e[2] - new[2]))
        work -= 0.5 * u * held * (el.fall + before.fall * (q0 / q) ** 2 * k1 / before.k1)
    new[4] = old[4] + work
    if not tangent:
        return
    grown = 1.0 + back.c * u / q
    grown_u = back.c_u * u / q + back.c * (q - u * h) / (q * q)
    m, hes = _tangent_of(u, el, size, grown), size.h
    v = _solve(m, _with_growth(x, u, point, el, size, back, grown_u))
    rate = n0 * v.s + n1 * v.d + n2 * v.g + h
    for j in range(3):
        unit = Triple(1.0 if j == 0 else 0.0, 1.0 if j == 1 else 0.0, 1.0 if j == 2 else 0.0)
        a = _solve(m, unit)
        du = (n0 * a.s + n1 * a.d + n2 * a.g) / rate
        y = Triple(a.s - v.s * du, a.d - v.d * du, a.g - v.g * du)
        c[0, j] = k0 * (unit.s - n0 * du - u * (hes.m00 * y.s + hes.m01 * y.d + hes.m02 * y.g))
        c[1, j] = k1 * (unit.d - n1 * du - u * (hes.m01 * y.s + hes.m11 * y.d + hes.m12 * y.g))
        c[2, j] = k1 * (unit.g - n2 * du - u * (hes.m02 * y.s + hes.m12 * y.d + hes.m22 * y.g))
        if point.rate > 0.0:
            for i in range(3):
                c[i, j] += el.fall * t[i] * du
    if symmetrise:
        for i in range(3):
            for j in range(i):
                mean = 0.5 * (c[i, j] + c[j, i])
                c[i, j] = mean
                c[j, i] = mean
