"""An undamaged surface: polynomial plus spline, with close knots at feature lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.legendre import legder, legval2d
from numpy.typing import NDArray

from simkit.scan.tensor import TensorSpline

Array = NDArray[np.float64]
COARSE_SHARE = 1.0 / 10.0
"""Knot distance of the reference over the scan's length."""
ELEMENT_GROWTH_RATIO = 1.5


@dataclass(frozen=True)
class Surface:
    """Spline plus polynomial over the scaled chart.

    ``legendre`` (m, m): coefficients of products of Legendre polynomials of (s - middle) / half and
    the same of t; ``middle`` (2,), ``half`` (2,).
    """

    spline: TensorSpline
    legendre: Array
    middle: Array
    half: Array

    def __call__(self, s: Array, t: Array) -> Array:
        """Height over s, t, all scaled."""
        u, v = (s - self.middle[0]) / self.half[0], (t - self.middle[1]) / self.half[1]
        return np.asarray(self.spline(s, t) + legval2d(u, v, self.legendre))

    def gradient(self, s: Array, t: Array) -> tuple[Array, Array, Array]:
        """Height and its derivatives by s and t."""
        z, by_s, by_t = self.spline.gradient(s, t)
        u, v = (s - self.middle[0]) / self.half[0], (t - self.middle[1]) / self.half[1]
        z = z + legval2d(u, v, self.legendre)
        by_s = by_s + legval2d(u, v, legder(self.legendre, axis=0)) / self.half[0]
        return z, by_s, by_t + legval2d(u, v, legder(self.legendre, axis=1)) / self.half[1]


def knot_count(s: Array) -> int:
    """Number of coarse elements over scaled places."""
    return max(2, round(float(np.ptp(s)) / COARSE_SHARE))


def graded_breaks(low: float, high: float, lines: list[float], fine: float) -> Array:
    """Knots from low to high, `COARSE_SHARE` apart, refined to ``fine`` at the lines."""
    def wanted(t: float) -> float:
        away = min((abs(t - line) for line in lines), default=np.inf)
        return min(COARSE_SHARE, max(fine, (ELEMENT_GROWTH_RATIO - 1.0) * away))

    breaks = [low]
    while breaks[-1] < high:
        step = wanted(breaks[-1])
        breaks.append(breaks[-1] + min(step, wanted(breaks[-1] + step) + 0.3 * step))
    if len(breaks) > 2 and high - breaks[-2] < 0.5 * (breaks[-2] - breaks[-3]):
        breaks.pop(-2)
    breaks[-1] = high
    return np.array(breaks)
