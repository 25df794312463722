"""Yield criteria of rolled sheet in plane stress: Hill 1948 and Yld2000-2d, in one form.

With t as in :mod:`simkit.material.locus`, both criteria consist of three quadratic forms
Q = a t_s^2 + 2 b t_s t_d + c t_d^2 + d t_g^2:

    2 size^(2m) = Q1^m + 2 sum_j binomial(2m, 2j) V^(m-j) Q2^j.

Yld2000-2d with the even exponent 2m (Barlat, Brem, Yoon, Chung and others 2003, Int. J. Plasticity
19:1297; SEEN secondary: its matrices L', L'' in a public program) is |X1' - X2'|^2m + |2 X2'' +
X1''|^2m + |2 X1'' + X2''|^2m = 2 size^2m. With w = 3/2 (X1'' + X2'') and r = |X1'' - X2''| / 2 its
last two terms are (w - r)^2m + (w + r)^2m, a polynomial in V = w^2 and Q2 = r^2. So no derivative
is singular at equal principal values. Hill's criterion is m = 1 with Q2 = V = 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from simkit.errors import InputError
from simkit.material.locus import Array, Criterion, check_exponent, conjugate

Form = tuple[float, float, float, float]


@dataclass(frozen=True)
class ThreeForms(Criterion):
    """Hill 1948 or Yld2000-2d.

    Attributes
    ----------
    first, second, trace : quadratic forms Q1, Q2, V as (a, b, c, d); half_exponent is m.
    """

    first: Form
    second: Form
    trace: Form

    def packed(self) -> Array:
        """[m, Q1, Q2, V, binomials] for :mod:`simkit.material.measures`."""
        m = self.half_exponent
        shares = [float(math.comb(2 * m, 2 * j)) for j in range(m + 1)]
        return np.array([float(m), *self.first, *self.second, *self.trace, *shares])

    def size(self, stress: ArrayLike) -> Array:
        """Equivalent stress of stresses (..., 3): 11, 22, 12 in the rolling frame; same unit."""
        q1, q2, v = (_form(part, conjugate(stress)) for part in
                     (self.first, self.second, self.trace))
        m = self.half_exponent
        total = q1**m + 2.0 * sum(math.comb(2 * m, 2 * j) * v**(m - j) * q2**j
                                  for j in range(m + 1))
        return np.asarray((0.5 * total) ** (0.5 / m))

    def gradient(self, t: Array, size: Array) -> Array:
        """Derivatives of the size by t."""
        forms = (self.first, self.second, self.trace)
        q1, q2, v = (_form(part, t) for part in forms)
        m = self.half_exponent
        shares = [m * q1**(m - 1), 0.0 * q1, 0.0 * q1]
        for j in range(m + 1):
            c = 2.0 * math.comb(2 * m, 2 * j)
            if j > 0:
                shares[1] = shares[1] + c * v**(m - j) * j * q2**(j - 1)
            if j < m:
                shares[2] = shares[2] + c * (m - j) * v**(m - j - 1) * q2**j
        n = sum(share[..., None] * _slope(part, t) for share, part in
                zip(shares, forms, strict=True))
        return np.asarray(n * (0.25 / m * size ** (1 - 2 * m))[..., None])


def _form(part: Form, t: Array) -> Array:
    """Value of a quadratic form at t (..., 3)."""
    a, b, c, d = part
    s, e, g = t[..., 0], t[..., 1], t[..., 2]
    return np.asarray(a * s * s + 2.0 * b * s * e + c * e * e + d * g * g)


def _slope(part: Form, t: Array) -> Array:
    """Gradient of a quadratic form at t (..., 3)."""
    a, b, c, d = part
    s, e, g = t[..., 0], t[..., 1], t[..., 2]
    return 2.0 * np.stack([a * s + b * e, b * s + c * e, d * g], axis=-1)


def hill48(r_0: float, r_45: float, r_90: float) -> ThreeForms:
    """Hill's quadratic criterion of 1948 in plane stress, by three r-values.

    size^2 = s11^2 - 2 r0 / (1 + r0) s11 s22 + r0 (1 + r90) / (r90 (1 + r0)) s22^2
    + (r0 + r90)(1 + 2 r45) / (r90 (1 + r0)) s12^2 (R. Hill 1948; any textbook of sheet forming).

    Raises
    ------
    InputError : an r-value that is not positive.
    """
    for key, value in (("r_0", r_0), ("r_45", r_45), ("r_90", r_90)):
        if not 0.0 < value < math.inf:
            raise InputError(f"{key} {value:g}", "a positive number", key=key)
    h11, h12 = 1.0, -r_0 / (1.0 + r_0)
    h22 = r_0 * (1.0 + r_90) / (r_90 * (1.0 + r_0))
    shear = (r_0 + r_90) * (1.0 + 2.0 * r_45) / (r_90 * (1.0 + r_0))
    # sigma_11 = t_s + t_d, sigma_22 = t_s - t_d; Q1 is twice the square of the size
    form = (2.0 * (h11 + 2.0 * h12 + h22), 2.0 * (h11 - h22), 2.0 * (h11 - 2.0 * h12 + h22),
            2.0 * shear)
    return ThreeForms("hill48", 1, form, (0.0,) * 4, (0.0,) * 4)


def yld2000(alpha: ArrayLike, exponent: int = 8) -> ThreeForms:
    """Yld2000-2d by its eight coefficients; all one: the isotropic criterion of that exponent.

    Raises
    ------
    InputError : not eight finite coefficients, an exponent that is not even and 2 to 20.
    """
    a = np.asarray(alpha, dtype=float)
    if a.shape != (8,) or not np.isfinite(a).all():
        raise InputError(f"coefficients of shape {a.shape}", "eight finite numbers", key="alpha")
    check_exponent(exponent)
    a1, a2, a3, a4, a5, a6, a7, a8 = (float(x) for x in a)
    one = np.array([[2.0 * a1, -a1], [-a2, 2.0 * a2]]) / 3.0
    two = np.array([[-2.0 * a3 + 2.0 * a4 + 8.0 * a5 - 2.0 * a6,
                     a3 - 4.0 * a4 - 4.0 * a5 + 4.0 * a6],
                    [4.0 * a3 - 4.0 * a4 - 4.0 * a5 + a6,
                     -2.0 * a3 + 8.0 * a4 + 2.0 * a5 - 2.0 * a6]]) / 9.0
    turn = np.array([[1.0, 1.0], [1.0, -1.0]])  # sigma_11 and sigma_22 from t_s and t_d
    apart1, apart2 = ((m[0] - m[1]) @ turn for m in (one, two))
    w = 1.5 * (two[0] + two[1]) @ turn
    return ThreeForms("yld2000-2d", exponent // 2, _square(apart1, 4.0 * a7 * a7),
                     _square(0.5 * apart2, a8 * a8), _square(w, 0.0))


def _square(linear: Array, shear: float) -> Form:
    """(linear . (t_s, t_d))^2 + shear t_g^2 as a form."""
    s, d = float(linear[0]), float(linear[1])
    return s * s, s * d, d * d, shear
