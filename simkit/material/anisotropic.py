"""Plane-stress plasticity of rolled sheet at one point: implicit return mapping, exact tangent.

The yield criterion is that of :mod:`simkit.material.criterion`, the flow associated, hardening and
backstress as in :mod:`simkit.material.j2` (the backstress grows along the stress less backstress,
dX = C xi / q dp - gamma X dp, which is the same for von Mises). With u the increment of equivalent
plastic strain, n the slope of the size, K = diag(d1 / 2, G, G), a_k = 1 / (1 + gamma_k u), four
equations are solved by Newton's method with a search along the step:

    xi (1 + u / q sum a_k C_k) + sum a_k B_k + u K n(xi) = K (e - plastic strain),
    size(xi) = q(p + u).

The law comes as two rows: that of j2, and the packed criterion.
"""

from __future__ import annotations

import numba as nb

from simkit.material.j2 import BACKSTRESS_OFFSET, flow_stress

MOST_ITERATIONS = 60
"""Newton iterations at one point; more than 15 were never seen in trials up to 40 times yield."""
RESIDUAL_OVER_FLOW_STRESS = 1e-11
"""Residual over the flow stress at which the mapping ends."""


@nb.njit(cache=True)
def measure(s, d, g, crit):
    """Size of a stress t, its gradient (3) and the upper half of its Hessian (6)."""
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
    return (size, way * n0, way * n1, way * n2,
            way * (h00 + less * n0 * n0), way * (h01 + less * n0 * n1),
            way * (h02 + less * n0 * n2), way * (h11 + less * n1 * n1),
            way * (h12 + less * n1 * n2), way * (h22 + less * n2 * n2))


@nb.njit(cache=True)
def _back(u, terms, law, old):
    """Backstress factor sum a C and its slope; sum a B (3) and its slope (3), as t."""
    c, c_u = 0.0, 0.0
    b0, b1, b2, s0, s1, s2 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(terms):
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
    return c, c_u, b0, b1, b2, s0, s1, s2


@nb.njit(cache=True)
def _solve(m00, m01, m02, m11, m12, m22, x0, x1, x2):
    """Solve the symmetric 3 x 3 system m y = x."""
    a, b, c = m11 * m22 - m12 * m12, m02 * m12 - m01 * m22, m01 * m12 - m02 * m11
    d, e, f = m00 * m22 - m02 * m02, m01 * m02 - m00 * m12, m00 * m11 - m01 * m01
    det = m00 * a + m01 * b + m02 * c
    return ((a * x0 + b * x1 + c * x2) / det, (b * x0 + d * x1 + e * x2) / det,
            (c * x0 + e * x1 + f * x2) / det)


@nb.njit(cache=True)
def _residual(x0, x1, x2, u, k0, k1, t0, t1, t2, n0, n1, n2, grown, b0, b1, b2, size, q):
    """Residuals (3 and 1) of the mapping, and their size over the flow stress."""
    r0 = x0 * grown + b0 + u * k0 * n0 - t0
    r1 = x1 * grown + b1 + u * k1 * n1 - t1
    r2 = x2 * grown + b2 + u * k1 * n2 - t2
    g = size - q
    return r0, r1, r2, g, (r0 * r0 + r1 * r1 + r2 * r2 + g * g) / (q * q)


@nb.njit(cache=True)
def update_anisotropic(e, old, new, t, c, law, symmetrise, tangent):
    """Stress, tangent and new state of one point of rolled sheet.

    As :func:`simkit.material.j2.update_point`, with the law in two rows: head and hardening,
    criterion. Returns True if it yields. A mapping that does not converge, never seen, gives
    stresses that are no numbers, which no balance accepts.
    """
    own, crit = law[0], law[1]
    kind, terms = int(own[2]), int(own[3])
    k0, k1 = 0.5 * own[0] / (1.0 - own[1]), 0.5 * own[0] / (1.0 + own[1])
    t0, t1, t2 = k0 * (e[0] - old[0]), k1 * (e[1] - old[1]), k1 * (e[2] - old[2])
    for i in range(new.size):
        new[i] = old[i]
    q0, h0 = flow_stress(kind, own, old[3])
    _c, _cu, b0, b1, b2, _s0, _s1, _s2 = _back(0.0, terms, own, old)
    x0, x1, x2 = t0 - b0, t1 - b1, t2 - b2
    if x0 == 0.0 and x1 == 0.0 and x2 == 0.0:
        trial = 0.0
    else:
        trial = measure(x0, x1, x2, crit)[0]
    if trial <= q0 * (1.0 + 1e-12):
        t[0], t[1], t[2] = t0, t1, t2
        if tangent:
            c[:] = 0.0
            c[0, 0], c[1, 1], c[2, 2] = k0, k1, k1
        return False
    u = (trial - q0) / (3.0 * k1 + max(h0, 0.0))
    x0, x1, x2 = x0 * q0 / trial, x1 * q0 / trial, x2 * q0 / trial
    x0, x1, x2, u = _map(x0, x1, x2, u, k0, k1, t0, t1, t2, kind, terms, own, crit, old)
    _finish(x0, x1, x2, u, k0, k1, e, old, new, t, c, own, crit, kind, terms, q0, symmetrise,
            tangent)
    return True


@nb.njit(cache=True)
def _map(x0, x1, x2, u, k0, k1, t0, t1, t2, kind, terms, own, crit, old):
    """Stress less backstress and increment u at which all four equations hold."""
    p = old[3]
    q, h = flow_stress(kind, own, p + u)
    cc, cu, b0, b1, b2, s0, s1, s2 = _back(u, terms, own, old)
    size, n0, n1, n2, h00, h01, h02, h11, h12, h22 = measure(x0, x1, x2, crit)
    r0, r1, r2, g, off = _residual(x0, x1, x2, u, k0, k1, t0, t1, t2, n0, n1, n2,
                                   1.0 + cc * u / q, b0, b1, b2, size, q)
    for _ in range(MOST_ITERATIONS):
        if off <= RESIDUAL_OVER_FLOW_STRESS * RESIDUAL_OVER_FLOW_STRESS:
            return x0, x1, x2, u
        grown, grown_u = 1.0 + cc * u / q, cu * u / q + cc * (q - u * h) / (q * q)
        m00, m11, m22 = grown / k0 + u * h00, grown / k1 + u * h11, grown / k1 + u * h22
        a0, a1, a2 = _solve(m00, u * h01, u * h02, m11, u * h12, m22, r0 / k0, r1 / k1, r2 / k1)
        v0, v1, v2 = _solve(m00, u * h01, u * h02, m11, u * h12, m22,
                            n0 + (x0 * grown_u + s0) / k0, n1 + (x1 * grown_u + s1) / k1,
                            n2 + (x2 * grown_u + s2) / k1)
        du = (g - n0 * a0 - n1 * a1 - n2 * a2) / (n0 * v0 + n1 * v1 + n2 * v2 + h)
        d0, d1, d2 = -a0 - v0 * du, -a1 - v1 * du, -a2 - v2 * du
        share = 1.0 if u + du > 0.1 * u else -0.9 * u / du
        before = off
        for _half in range(12):
            y0, y1, y2, w = x0 + share * d0, x1 + share * d1, x2 + share * d2, u + share * du
            q, h = flow_stress(kind, own, p + w)
            cc, cu, b0, b1, b2, s0, s1, s2 = _back(w, terms, own, old)
            size, n0, n1, n2, h00, h01, h02, h11, h12, h22 = measure(y0, y1, y2, crit)
            r0, r1, r2, g, off = _residual(y0, y1, y2, w, k0, k1, t0, t1, t2, n0, n1, n2,
                                           1.0 + cc * w / q, b0, b1, b2, size, q)
            if off < before * (1.0 - 1e-4 * share):
                break
            share *= 0.5
        if off >= before and before <= 1e6 * RESIDUAL_OVER_FLOW_STRESS * RESIDUAL_OVER_FLOW_STRESS:
            return x0, x1, x2, u  # rounding, no further step helps
        x0, x1, x2, u = y0, y1, y2, w
    nothing = 0.0 * u
    return nothing / nothing, x1, x2, u


@nb.njit(cache=True)
def _finish(x0, x1, x2, u, k0, k1, e, old, new, t, c, own, crit, kind, terms, q0, symmetrise,
            tangent):
    """New state, stress and tangent after a plastic increment u."""
    q, h = flow_stress(kind, own, old[3] + u)
    cc, cu, _b0, _b1, _b2, s0, s1, s2 = _back(u, terms, own, old)
    _size, n0, n1, n2, h00, h01, h02, h11, h12, h22 = measure(x0, x1, x2, crit)
    new[0], new[1], new[2] = old[0] + u * n0, old[1] + u * n1, old[2] + u * n2
    new[3] = old[3] + u
    t[0], t[1], t[2] = k0 * (e[0] - new[0]), k1 * (e[1] - new[1]), k1 * (e[2] - new[2])
    work = 0.5 * (q0 + q) * u
    for k in range(terms):
        a, at = 1.0 / (1.0 + own[5 + 2 * k] * u), BACKSTRESS_OFFSET + 3 * k
        grow = own[4 + 2 * k] * u / q
        new[at] = a * (old[at] + 2.0 * grow * x0)
        new[at + 1] = a * (old[at + 1] + 2.0 * grow * x1)
        new[at + 2] = a * (old[at + 2] + grow * x2)
        work += 0.5 * u * (0.5 * (old[at] + new[at]) * n0 + 0.5 * (old[at + 1] + new[at + 1]) * n1
                           + (old[at + 2] + new[at + 2]) * n2)
    new[4] = old[4] + work
    if not tangent:
        return
    grown, grown_u = 1.0 + cc * u / q, cu * u / q + cc * (q - u * h) / (q * q)
    m00, m11, m22 = grown / k0 + u * h00, grown / k1 + u * h11, grown / k1 + u * h22
    m01, m02, m12 = u * h01, u * h02, u * h12
    v0, v1, v2 = _solve(m00, m01, m02, m11, m12, m22, n0 + (x0 * grown_u + s0) / k0,
                        n1 + (x1 * grown_u + s1) / k1, n2 + (x2 * grown_u + s2) / k1)
    rate = n0 * v0 + n1 * v1 + n2 * v2 + h
    for j in range(3):
        e0, e1, e2 = (1.0 if j == 0 else 0.0), (1.0 if j == 1 else 0.0), (1.0 if j == 2 else 0.0)
        a0, a1, a2 = _solve(m00, m01, m02, m11, m12, m22, e0, e1, e2)
        du = (n0 * a0 + n1 * a1 + n2 * a2) / rate
        x, y, z = a0 - v0 * du, a1 - v1 * du, a2 - v2 * du
        c[0, j] = k0 * (e0 - n0 * du - u * (h00 * x + h01 * y + h02 * z))
        c[1, j] = k1 * (e1 - n1 * du - u * (h01 * x + h11 * y + h12 * z))
        c[2, j] = k1 * (e2 - n2 * du - u * (h02 * x + h12 * y + h22 * z))
    if symmetrise:
        for i in range(3):
            for j in range(i):
                mean = 0.5 * (c[i, j] + c[j, i])
                c[i, j] = mean
                c[j, i] = mean
