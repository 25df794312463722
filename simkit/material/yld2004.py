"""Yld2004-18p in plane stress: two linear transformations of the stress deviator.

Barlat, Aretz, Yoon, Karabin, Brem and Dick 2005, Int. J. Plasticity 21:1009 (form from memory, as
in the documentation of a public material library, SEEN secondary): with the principal values S'_i
and S''_j of the two transformed deviators, and an even exponent 2m,

    sum over i, j of |S'_i - S''_j|^2m = 4 size^2m;
    S'_xx = -c12 s_yy - c13 s_zz,  S'_yy = -c21 s_xx - c23 s_zz,  S'_zz = -c31 s_xx - c32 s_yy,
    S'_xy = c66 s_xy,  s the deviator, and S'' likewise with coefficients of its own.

In plane stress S_zz is a linear form, and the other two principal values are P + q and P - q with
q^2 = D^2 + c66^2 s_xy^2, P and D half sum and half difference of S_xx and S_yy. The nine terms are

    A^2m + [(A1 + q'')^2m + (A1 - q'')^2m] + [(A2 + q')^2m + (A2 - q')^2m]
    + sum over both signs of (B +- q' +- q'')^2m,
    A = S'_zz - S''_zz,  A1 = S'_zz - P'',  A2 = P' - S''_zz,  B = P' - P'' = A1 + A2 - A:

in each bracket odd powers cancel, so all are polynomials of squares. Convex with any coefficients.

Only differences count: a linear form added to all S' and S'' changes nothing. Hence c'12 = c'13 =
1 here, and 12 coefficients are left (of 14 in plane stress). All one: Hosford's criterion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from simkit.errors import InputError
from simkit.material.locus import Array, Criterion, check_exponent, conjugate

COEFFICIENTS = ("c1_21", "c1_23", "c1_31", "c1_32", "c1_66",
                "c2_12", "c2_13", "c2_21", "c2_23", "c2_31", "c2_32", "c2_66")
"""Names of the coefficients, in order; c1 of the first transformation, c2 of the second."""
_DEVIATOR = np.array([[1.0 / 3.0, 1.0], [1.0 / 3.0, -1.0], [-2.0 / 3.0, 0.0]])
"""Normal components xx, yy, zz of the deviator by (t_s, t_d)."""


@dataclass(frozen=True)
class TwoTransformations(Criterion):
    """Yld2004-18p.

    Attributes
    ----------
    linear : A, A1, A2, B, D', D'' by (t_s, t_d), each a pair.
    shear : c'66 and c''66.
    """

    linear: tuple[tuple[float, float], ...]
    shear: tuple[float, float]

    def packed(self) -> Array:
        """[-m, A, A1, A2, B, D', c'66^2, D'', c''66^2, weights of pairs, weights of fours]."""
        m, (a, a1, a2, b, d1, d2), (c1, c2) = self.half_exponent, self.linear, self.shear
        fours = [weight for row in _fours(m) for weight in row]
        return np.array([-float(m), *a, *a1, *a2, *b, *d1, c1 * c1, *d2, c2 * c2, *_pairs(m),
                         *fours])

    def size(self, stress: ArrayLike) -> Array:
        """Equivalent stress, by the nine differences of principal values."""
        a, a1, a2, b, q1, q2, _, _ = self._parts(conjugate(stress))
        q1, q2, power = np.sqrt(q1), np.sqrt(q2), 2 * self.half_exponent
        terms = [a, a1 + q2, a1 - q2, a2 + q1, a2 - q1,
                 b + q1 + q2, b + q1 - q2, b - q1 + q2, b - q1 - q2]
        return np.asarray((0.25 * sum(term**power for term in terms)) ** (1.0 / power))

    def gradient(self, t: Array, size: Array) -> Array:
        """Derivatives of the size by t; by the polynomials, which are smooth where q is zero."""
        m = self.half_exponent
        a, a1, a2, b, q1, q2, d1, d2 = self._parts(t)
        by_q1, by_q2 = np.zeros_like(a), np.zeros_like(a)
        by_a1, by_a2, by_b = np.zeros_like(a), np.zeros_like(a), np.zeros_like(a)
        for j, c in enumerate(_pairs(m)):
            if j < m:
                by_a1 += c * 2 * (m - j) * a1 ** (2 * (m - j) - 1) * q2**j
                by_a2 += c * 2 * (m - j) * a2 ** (2 * (m - j) - 1) * q1**j
            if j > 0:
                by_q2 += c * a1 ** (2 * (m - j)) * j * q2 ** (j - 1)
                by_q1 += c * a2 ** (2 * (m - j)) * j * q1 ** (j - 1)
        for i, row in enumerate(_fours(m)):
            for j, c in enumerate(row):
                k = m - i - j
                if i > 0:
                    by_b += c * 2 * i * b ** (2 * i - 1) * q1**j * q2**k
                if j > 0:
                    by_q1 += c * b ** (2 * i) * j * q1 ** (j - 1) * q2**k
                if k > 0:
                    by_q2 += c * b ** (2 * i) * q1**j * k * q2 ** (k - 1)
        shares = (2 * m * a ** (2 * m - 1), by_a1, by_a2, by_b, 2.0 * by_q1 * d1,
                  2.0 * by_q2 * d2)
        plane = sum(share[..., None] * np.array(way) for share, way in
                    zip(shares, self.linear, strict=True))
        shear = 2.0 * t[..., 2] * (by_q1 * self.shear[0] ** 2 + by_q2 * self.shear[1] ** 2)
        n = np.concatenate([plane, shear[..., None]], axis=-1)
        return np.asarray(n * (0.125 / m * size ** (1 - 2 * m))[..., None])

    def _parts(self, t: Array) -> tuple[Array, ...]:
        """A, A1, A2, B, q'^2, q''^2, D', D'' of the formula at t (..., 3)."""
        a, a1, a2, b, d1, d2 = (t[..., :2] @ np.array(way) for way in self.linear)
        g = t[..., 2]
        return (a, a1, a2, b, d1 * d1 + (self.shear[0] * g) ** 2,
                d2 * d2 + (self.shear[1] * g) ** 2, d1, d2)


def yld2004(coefficients: ArrayLike, exponent: int = 8) -> TwoTransformations:
    """Yld2004-18p in plane stress by its coefficients, in the order of :data:`COEFFICIENTS`.

    Raises
    ------
    InputError : not twelve finite coefficients, an exponent that is not even and 2 to 20.
    """
    c = np.asarray(coefficients, dtype=float)
    if c.shape != (len(COEFFICIENTS),) or not np.isfinite(c).all():
        raise InputError(f"coefficients of shape {c.shape}", "twelve finite numbers",
                         key="coefficients")
    return from_transformations((1.0, 1.0, *c[:5]), c[5:], exponent)


def from_transformations(first: ArrayLike, second: ArrayLike,
                         exponent: int = 8) -> TwoTransformations:
    """Yld2004-18p in plane stress by published coefficients c12, c13, c21, c23, c31, c32, c66 of
    both transformations."""
    check_exponent(exponent)
    one, two = (np.asarray(part, dtype=float) for part in (first, second))
    (p1, d1, z1), (p2, d2, z2) = _transformed(one), _transformed(two)
    linear = (z1 - z2, z1 - p2, p1 - z2, p1 - p2, d1, d2)
    return TwoTransformations("yld2004-18p", exponent // 2,
                              tuple((float(way[0]), float(way[1])) for way in linear),
                              (float(one[6]), float(two[6])))


def _transformed(c: Array) -> tuple[Array, Array, Array]:
    """P, D and S_zz of a transformed deviator by (t_s, t_d)."""
    x, y, z = _DEVIATOR
    xx, yy, zz = -c[0] * y - c[1] * z, -c[2] * x - c[3] * z, -c[4] * x - c[5] * y
    return 0.5 * (xx + yy), 0.5 * (xx - yy), zz


def _pairs(m: int) -> list[float]:
    """Weights of v^(m-j) r^j, j from 0, in (v^(1/2) + r^(1/2))^2m + (v^(1/2) - r^(1/2))^2m."""
    return [2.0 * math.comb(2 * m, 2 * j) for j in range(m + 1)]


def _fours(m: int) -> list[list[float]]:
    """Weights of b^2i q1^j q2^(m-i-j), rows i, columns j, in the sum of four terms."""
    def weight(i: int, j: int) -> float:
        return 4.0 * math.comb(2 * m, 2 * i) * math.comb(2 * (m - i), 2 * j)

    return [[weight(i, j) for j in range(m - i + 1)] for i in range(m + 1)]
