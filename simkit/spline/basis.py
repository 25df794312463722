"""B-spline bases in one direction: knots, Greville points, values at points and at Gauss points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from simkit.arguments import number, positive, rising, whole
from simkit.errors import InputError

Array = NDArray[np.float64]


def open_knots(breaks: Array, degree: int) -> Array:
    """Knot vector with the end breaks repeated, so that the spline meets its end control points.

    ``breaks`` are the element borders, strictly increasing; inside, the spline is C^(degree-1).
    """
    breaks = rising("breaks", breaks)
    return np.concatenate([np.repeat(breaks[0], degree), breaks, np.repeat(breaks[-1], degree)])


def graded_breaks(
    start: float, end: float, fine_from: float, fine_to: float, fine: float, coarse: float,
    ratio: float = 1.25,
) -> Array:
    """Element borders from ``start`` to ``end``: size ``fine`` inside the window, growing outside.

    Sizes grow by ``ratio`` from element to element up to ``coarse``. Then each of the three parts
    is scaled so that it ends exactly at its border; the step between two parts can be larger.

    Raises
    ------
    InputError : ends that do not rise, sizes that are none, a window off the stretch.
    """
    rising("start and end", (start, end))
    positive("fine", fine)
    positive("coarse", coarse)
    if not number("ratio", ratio) > 1.0:
        raise InputError(f"ratio {ratio:g}", "more than 1", key="ratio")
    fine_from, fine_to = max(start, fine_from), min(end, fine_to)
    if not fine_from < fine_to:
        raise InputError(f"fine window outside {start:g} to {end:g} mm", "a window that meets it")
    count = max(1, round((fine_to - fine_from) / fine))
    middle = np.linspace(fine_from, fine_to, count + 1)
    left = fine_from - _growing(fine_from - start, fine, coarse, ratio)[::-1]
    right = fine_to + _growing(end - fine_to, fine, coarse, ratio)
    return np.concatenate([left, middle, right])


def _growing(length: float, fine: float, coarse: float, ratio: float) -> Array:
    """Distances of element borders over ``length``, sizes growing geometrically; ends at length."""
    if length <= 1e-9 * fine:
        return np.empty(0)
    sizes: list[float] = []
    size = fine
    while sum(sizes) < length:
        size = min(size * ratio, coarse)
        sizes.append(size)
    # Leave the last element out if the others then have to be stretched by less than they
    # would otherwise be compressed.
    if len(sizes) > 1 and sum(sizes) - length > 0.5 * sizes[-1]:
        sizes.pop()
    borders = np.cumsum(sizes)
    return borders * (length / borders[-1])


def finer_breaks(breaks: Array, needs: Sequence[tuple[float, float, float]],
                 growth: float = 0.22) -> Array:
    """Element borders with elements no larger than required on some ranges.

    ``needs``: ranges (from, to, largest size). If all given borders are close enough they are
    returned unchanged. Else all borders are placed anew; the size grows away from a range by
    ``growth`` per length, which is about a quarter from element to element.
    """
    breaks = np.asarray(breaks, dtype=float)
    sizes = np.diff(breaks)
    short = [need for need in needs
             if (sizes[(breaks[1:] > need[0]) & (breaks[:-1] < need[1])] > 1.05 * need[2]).any()]
    if not short:
        return breaks
    count = int(np.ceil(20.0 * np.ptp(breaks) / min(need[2] for need in short)))
    x = np.linspace(breaks[0], breaks[-1], max(count, 2))
    size = np.interp(x, 0.5 * (breaks[1:] + breaks[:-1]), sizes)
    for start, end, largest in short:
        away = np.maximum(np.maximum(start - x, x - end), 0.0)
        size = np.minimum(size, largest + growth * away)
    # Element density 1/size, integrated by the trapezoidal rule, counts elements up to x; borders
    # lie at equal steps of this count (equidistribution).
    done = np.concatenate([[0.0], np.cumsum(0.5 * (1.0 / size[1:] + 1.0 / size[:-1])
                                            * np.diff(x))])
    number = int(np.ceil(done[-1]))
    laid = np.interp(np.linspace(0.0, done[-1], number + 1), done, x)
    laid[[0, -1]] = breaks[[0, -1]]
    return laid


def joined_breaks(breaks: Array, size: float,
                  needs: Sequence[tuple[float, float, float]] = ()) -> Array:
    """Some of the given element borders: neighbours are joined to elements of ``size`` at most.

    ``needs``: ranges (from, to, largest size) in which the joined elements stay smaller. A single
    element larger than that is kept as it is; sizes may be exceeded by 5 %, as they are in
    :func:`finer_breaks`.
    """
    breaks = rising("breaks", breaks)
    positive("size", size)
    kept = [float(breaks[0])]
    for here, after in pairwise(breaks[1:]):
        allowed = min([size, *(most for start, end, most in needs
                               if after > start and kept[-1] < end)])
        if after - kept[-1] > 1.05 * allowed:
            kept.append(float(here))
    return np.array([*kept, breaks[-1]])


def closed_knots(breaks: Array, degree: int) -> Array:
    """Knot vector that repeats the breaks' spacing before the first and after the last one.

    The last ``degree`` functions then continue the first ones, shifted by the period
    breaks[-1] - breaks[0], so that a spline whose control points repeat is C^(degree-1) across the
    seam as everywhere else.

    Raises
    ------
    InputError : breaks that do not rise, fewer than degree + 1 elements.
    """
    breaks = rising("breaks", breaks)
    if breaks.size - 1 <= degree:
        raise InputError(f"{breaks.size - 1} elements around", f"at least {degree + 1}",
                         key="breaks")
    period = breaks[-1] - breaks[0]
    return np.concatenate([breaks[-1 - degree:-1] - period, breaks, breaks[1:degree + 1] + period])


@dataclass(frozen=True)
class Basis:
    """One-direction B-spline basis of a degree on open knots, or on knots that close.

    Attributes: knots (n + degree + 1), degree; n = number of functions.
    """

    knots: Array
    degree: int

    @classmethod
    def from_breaks(cls, breaks: Array, degree: int) -> Basis:
        """Smoothest basis whose elements lie between the given borders.

        Raises
        ------
        InputError : borders that do not rise, a degree below 1.
        """
        whole("degree", degree, 1, 8)
        return cls(open_knots(np.asarray(breaks, dtype=float), degree), degree)

    @classmethod
    def closed_from_breaks(cls, breaks: Array, degree: int) -> Basis:
        """Smoothest basis of a closed line: its last ``degree`` control points are its first ones.

        Raises
        ------
        InputError : borders that do not rise, too few of them, a degree below 1.
        """
        whole("degree", degree, 1, 8)
        return cls(closed_knots(np.asarray(breaks, dtype=float), degree), degree)

    @property
    def count(self) -> int:
        """Number of basis functions."""
        return self.knots.size - self.degree - 1

    @property
    def closed(self) -> bool:
        """Whether the last ``degree`` control points repeat the first ones."""
        # Open knots repeat the first knot; closed knots begin before the first border.
        return bool(self.knots[0] < self.knots[self.degree])

    @property
    def breaks(self) -> Array:
        """Element borders."""
        return self.knots[self.degree : self.knots.size - self.degree]

    @property
    def elements(self) -> int:
        """Number of elements."""
        return self.breaks.size - 1

    def greville(self) -> Array:
        """Greville abscissae, (count,): the parameter that belongs to each control point."""
        p = self.degree
        return np.array([self.knots[i + 1 : i + p + 1].mean() for i in range(self.count)])

    def interpolating(self, values: Array) -> Array:
        """Control points (count, m) of the spline that takes values (count, m) at the Greville
        points; of a closed basis, whose last values repeat the first, they repeat too."""
        greville = self.greville()
        if not self.closed:
            return np.asarray(np.linalg.solve(self.collocation(greville), values), dtype=float)
        own, first, period = self.elements, self.breaks[0], np.ptp(self.breaks)
        # Only the independent control points are unknown: one for each element of the ring.
        at = first + (greville[:own] - first) % period
        matrix = self.collocation(at)
        # a function beyond the seam is the one a period before it
        matrix[:, : self.degree] += matrix[:, own:]
        control = np.linalg.solve(matrix[:, :own], values[:own])
        return np.concatenate([control, control[: self.degree]])

    def collocation(self, points: Array, derivative: int = 0) -> Array:
        """Values of all functions at points, (points, count)."""
        spline = BSpline(self.knots, np.eye(self.count), self.degree, extrapolate=True)
        points = np.clip(points, self.breaks[0], self.breaks[-1])
        return np.asarray(spline(points, nu=derivative))

    def element_of(self, points: Array) -> NDArray[np.int64]:
        """Index of the element that holds each point (clipped to the ends)."""
        index = np.searchsorted(self.breaks, points, side="right") - 1
        return np.clip(index, 0, self.elements - 1)

    def local(self, points: Array) -> tuple[NDArray[np.int64], Array]:
        """Element index and the degree + 1 non-zero functions at each point.

        Returns (element, values) with values (points, degree + 1, 3): value, first and second
        derivative. Function k of element e is control point e + k.
        """
        points = np.clip(points, self.breaks[0], self.breaks[-1])
        element = self.element_of(points)
        values = np.zeros((points.size, self.degree + 1, 3))
        # lower[d]: the functions of degree d that are not zero at each point (Cox-de Boor)
        lower = [np.ones((points.size, 1))]
        for degree in range(1, self.degree + 1):
            lower.append(self._raised(lower[-1], element, degree, points))
        values[:, :, 0] = lower[-1]
        for order in range(1, min(self.degree, 2) + 1):
            part = lower[self.degree - order]
            for degree in range(self.degree - order + 1, self.degree + 1):
                part = self._raised(part, element, degree, None)
            values[:, :, order] = part
        return element, values

    def _raised(self, lower: Array, element: NDArray[np.int64], degree: int, points: Array | None
                ) -> Array:
        """Functions (points, degree + 1) of a degree from those of one degree less; with points
        None, derivatives of the functions from the next lower derivatives.

        Piegl and Tiller, The NURBS Book, eqs. 2.5 and 2.7 (from memory); tested against scipy.
        """
        knots, span = self.knots, element + self.degree
        raised = np.zeros((element.size, degree + 1))
        for k in range(degree):
            left, right = knots[span + 1 + k - degree], knots[span + 1 + k]
            share = lower[:, k] / (right - left)
            if points is None:
                raised[:, k] -= degree * share
                raised[:, k + 1] += degree * share
            else:
                raised[:, k] += (right - points) * share
                raised[:, k + 1] += (points - left) * share
        return raised

    def gauss(self, points_per_element: int) -> tuple[Array, Array, Array]:
        """Gauss points of every element.

        Returns (points, weights, values): points and weights (elements, g); values
        (elements, g, degree + 1, 3) as in :meth:`local`.
        """
        nodes, weights = np.polynomial.legendre.leggauss(points_per_element)
        left, right = self.breaks[:-1, None], self.breaks[1:, None]
        points = 0.5 * (left + right) + 0.5 * (right - left) * nodes[None, :]
        scaled = 0.5 * (right - left) * weights[None, :]
        _, values = self.local(points.ravel())
        return points, scaled, values.reshape(self.elements, points_per_element, -1, 3)
