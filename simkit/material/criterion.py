"""Yield criteria of rolled sheet in plane stress: Hill 1948 and Yld2000-2d, in one form.

The size of a stress is its equivalent stress. With t = (sigma_s / 2, sigma_d / 2, sigma_12), the
work conjugates of (s, d, g) in the frame whose first axis is the rolling direction, both criteria
consist of three quadratic forms Q = a t_s^2 + 2 b t_s t_d + c t_d^2 + d t_g^2:

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
from numpy.typing import ArrayLike, NDArray

from simkit.errors import InputError

Array = NDArray[np.float64]
Form = tuple[float, float, float, float]
LARGEST_EXPONENT = 20


@dataclass(frozen=True)
class Criterion:
    """A yield criterion, scaled so that uniaxial tension along rolling is its own size.

    Attributes
    ----------
    name : hill48 or yld2000-2d.
    half_exponent : m of the formula.
    first, second, trace : quadratic forms Q1, Q2, V as (a, b, c, d).
    """

    name: str
    half_exponent: int
    first: Form
    second: Form
    trace: Form

    def packed(self) -> Array:
        """[m, Q1, Q2, V, binomials] for the kernel of :mod:`simkit.material.anisotropic`."""
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

    def flow(self, stress: ArrayLike) -> Array:
        """Plastic strain rates 11, 22, 12 (tensor components) per unit of equivalent plastic
        strain rate, (..., 3): the gradient of the size (associated flow)."""
        t = conjugate(stress)
        forms = (self.first, self.second, self.trace)
        q1, q2, v = (_form(part, t) for part in forms)
        m, size = self.half_exponent, self.size(stress)
        shares = [m * q1**(m - 1), 0.0 * q1, 0.0 * q1]
        for j in range(m + 1):
            c = 2.0 * math.comb(2 * m, 2 * j)
            if j > 0:
                shares[1] = shares[1] + c * v**(m - j) * j * q2**(j - 1)
            if j < m:
                shares[2] = shares[2] + c * (m - j) * v**(m - j - 1) * q2**j
        n = sum(share[..., None] * _slope(part, t) for share, part in
                zip(shares, forms, strict=True))
        n = n * (0.25 / m * size ** (1 - 2 * m))[..., None]
        return np.stack([0.5 * (n[..., 0] + n[..., 1]), 0.5 * (n[..., 0] - n[..., 1]),
                         0.5 * n[..., 2]], axis=-1)

    def yield_along(self, angle_rad: ArrayLike) -> Array:
        """Uniaxial yield stress at an angle to the rolling direction, over that along it."""
        return 1.0 / self.size(uniaxial(angle_rad))

    def r_along(self, angle_rad: ArrayLike) -> Array:
        """Ratio of width to thickness strain in uniaxial tension at an angle."""
        angle = np.asarray(angle_rad, dtype=float)
        rate = self.flow(uniaxial(angle))
        c, s = np.cos(angle), np.sin(angle)
        across = rate[..., 0] * s * s + rate[..., 1] * c * c - 2.0 * rate[..., 2] * s * c
        return np.asarray(-across / (rate[..., 0] + rate[..., 1]))

    def equibiaxial(self) -> float:
        """Yield stress in equal biaxial tension over that along rolling."""
        return 1.0 / float(self.size((1.0, 1.0, 0.0)))

    def plane_strain(self, angle_rad: float) -> float:
        """Largest principal stress in plane strain at an angle, over the yield along rolling.

        Plane strain is the point of the yield locus where the first principal stress is largest,
        because the flow has no component along the second axis there.
        """
        c, s = math.cos(angle_rad), math.sin(angle_rad)
        ratio = np.linspace(-0.5, 1.0, 301)  # of the second principal stress to the first
        stress = np.stack([c * c + ratio * s * s, s * s + ratio * c * c, (1.0 - ratio) * c * s],
                          axis=-1)
        return float((1.0 / self.size(stress)).max())

    def above_mises(self) -> float:
        """Upper bound of the ratio of its size to the von Mises stress, over all stresses.

        The largest value at 181 x 181 directions, times 1.002 for directions in between.
        """
        around, up = np.meshgrid(np.linspace(0.0, np.pi, 181), np.linspace(0.0, np.pi, 181))
        t = np.stack([np.cos(around) * np.sin(up), np.sin(around) * np.sin(up), np.cos(up)],
                     axis=-1)
        stress = np.stack([t[..., 0] + t[..., 1], t[..., 0] - t[..., 1], t[..., 2]], axis=-1)
        mises = np.sqrt(t[..., 0] ** 2 + 3.0 * t[..., 1] ** 2 + 3.0 * t[..., 2] ** 2)
        return float(1.002 * (self.size(stress) / mises).max())


def conjugate(stress: ArrayLike) -> Array:
    """Stresses 11, 22, 12 (..., 3) as t = (sigma_s / 2, sigma_d / 2, sigma_12)."""
    s = np.asarray(stress, dtype=float)
    return np.stack([0.5 * (s[..., 0] + s[..., 1]), 0.5 * (s[..., 0] - s[..., 1]), s[..., 2]],
                    axis=-1)


def uniaxial(angle_rad: ArrayLike) -> Array:
    """Stresses 11, 22, 12 of unit tension at an angle, (..., 3)."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.stack([c * c, s * s, c * s], axis=-1)


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


def hill48(r_0: float, r_45: float, r_90: float) -> Criterion:
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
    return Criterion("hill48", 1, form, (0.0,) * 4, (0.0,) * 4)


def yld2000(alpha: ArrayLike, exponent: int = 8) -> Criterion:
    """Yld2000-2d by its eight coefficients; all one: the isotropic criterion of that exponent.

    Raises
    ------
    InputError : not eight finite coefficients, an exponent that is not even and 2 to 20.
    """
    a = np.asarray(alpha, dtype=float)
    if a.shape != (8,) or not np.isfinite(a).all():
        raise InputError(f"coefficients of shape {a.shape}", "eight finite numbers", key="alpha")
    if exponent % 2 or not 2 <= exponent <= LARGEST_EXPONENT:
        raise InputError(f"exponent {exponent}", f"an even number from 2 to {LARGEST_EXPONENT}",
                         key="exponent")
    a1, a2, a3, a4, a5, a6, a7, a8 = (float(x) for x in a)
    one = np.array([[2.0 * a1, -a1], [-a2, 2.0 * a2]]) / 3.0
    two = np.array([[-2.0 * a3 + 2.0 * a4 + 8.0 * a5 - 2.0 * a6,
                     a3 - 4.0 * a4 - 4.0 * a5 + 4.0 * a6],
                    [4.0 * a3 - 4.0 * a4 - 4.0 * a5 + a6,
                     -2.0 * a3 + 8.0 * a4 + 2.0 * a5 - 2.0 * a6]]) / 9.0
    turn = np.array([[1.0, 1.0], [1.0, -1.0]])  # sigma_11 and sigma_22 from t_s and t_d
    apart1, apart2 = ((m[0] - m[1]) @ turn for m in (one, two))
    w = 1.5 * (two[0] + two[1]) @ turn
    return Criterion("yld2000-2d", exponent // 2, _square(apart1, 4.0 * a7 * a7),
                     _square(0.5 * apart2, a8 * a8), _square(w, 0.0))


def _square(linear: Array, shear: float) -> Form:
    """(linear . (t_s, t_d))^2 + shear t_g^2 as a form."""
    s, d = float(linear[0]), float(linear[1])
    return s * s, s * d, d * d, shear
