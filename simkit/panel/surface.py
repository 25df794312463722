"""Undamaged panel surfaces as maps of a rectangle of parameters into space.

x to the right, y up, z outward; the apex of a curved panel is at the origin.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import number, numbers, positive, rising
from simkit.errors import InputError
from simkit.spline.basis import Basis, finer_breaks, graded_breaks
from simkit.spline.patch import Patch

Array = NDArray[np.float64]
Needs = tuple[list[tuple[float, float, float]], list[tuple[float, float, float]]]
"""Stretches (from, to, largest element) of the parameters u and v."""


class Heights(Protocol):
    """An undamaged surface over the plan."""

    def height(self, x: Array, y: Array) -> Array:
        """z of the mid-surface at plan positions, mm."""
        ...


@dataclass(frozen=True)
class Curvature:
    """Section radii of a panel, mm; infinite where straight.

    The surface is the sum of circular arcs, z = -(R - sqrt(R^2 - r^2)) in each direction; with
    ``round_cap`` both radii are equal and the surface is a sphere.
    """

    radius_x_mm: float = np.inf
    radius_y_mm: float = np.inf
    round_cap: bool = False

    def __post_init__(self) -> None:
        for name in ("radius_x_mm", "radius_y_mm"):
            radius = getattr(self, name)
            if not radius > 0.0:
                raise InputError(f"{name} {radius:g}", "a positive number, infinite for straight",
                                 key=name)

    def height(self, x: Array, y: Array) -> Array:
        """z of the mid-surface at plan positions, mm."""
        if self.round_cap:
            return _sag(np.hypot(x, y), self.radius_x_mm)
        return _sag(x, self.radius_x_mm) + _sag(y, self.radius_y_mm)


def _sag(r: Array, radius: float) -> Array:
    if not np.isfinite(radius):
        return np.zeros_like(r)
    # -(R - sqrt(R^2 - r^2)), written so that nearly equal numbers are not subtracted for large R.
    return -(r**2) / (radius + np.sqrt(radius**2 - r**2))


@dataclass(frozen=True)
class Window:
    """Part of the panel that gets small elements: x from, to, y from, to; mm."""

    x_from: float
    x_to: float
    y_from: float
    y_to: float

    def __post_init__(self) -> None:
        for axis in ("x", "y"):
            low, high = (number(f"{axis}_{end}", getattr(self, f"{axis}_{end}"))
                         for end in ("from", "to"))
            if not low < high:
                raise InputError(f"window from {axis} {low:g} to {high:g} mm",
                                 "from the smaller to the larger", key=f"{axis}_to")


def rectangle_patch(
    x_range: tuple[float, float], y_range: tuple[float, float], curvature: Heights,
    fine_mm: float, coarse_mm: float, degree: int = 2, window: Window | None = None,
    needs: Needs = ([], []),
) -> Patch:
    """Rectangular panel in plan; parameters are x and y themselves.

    Elements are ``fine_mm`` inside the window (everywhere if None) and grow to ``coarse_mm``;
    ``needs`` are ranges of the parameters that get still smaller ones.

    Raises
    ------
    InputError : ranges that do not rise, sizes that are none, a surface without a height there.
    """
    for name, ends in (("x_range", x_range), ("y_range", y_range)):
        rising(name, numbers(name, ends, (2,)))
    _sizes(fine_mm, coarse_mm, window is not None)
    w = window or Window(*x_range, *y_range)
    along_x = graded_breaks(*x_range, w.x_from, w.x_to, fine_mm, coarse_mm)
    along_y = graded_breaks(*y_range, w.y_from, w.y_to, fine_mm, coarse_mm)
    u = Basis.from_breaks(finer_breaks(along_x, needs[0]), degree)
    v = Basis.from_breaks(finer_breaks(along_y, needs[1]), degree)

    def surface(x: Array, y: Array) -> Array:
        return np.stack([x, y, curvature.height(x, y)], axis=1)

    return Patch.from_map(surface, u, v)


def _sizes(fine_mm: float, coarse_mm: float, graded: bool) -> None:
    positive("fine_mm", fine_mm)
    if positive("coarse_mm", coarse_mm) < fine_mm and graded:
        raise InputError(f"coarse_mm {coarse_mm:g}", f"at least fine_mm, {fine_mm:g}",
                         key="coarse_mm")


def disc_patch(
    radius_mm: float, curvature: Heights, fine_mm: float, coarse_mm: float, degree: int = 2,
    window_mm: float | None = None, quarter: bool = False, needs: Needs = ([], []),
) -> Patch:
    """Panel with a circular plan, all four sides on the circle (the whole disc), or a quarter.

    The elliptical map x = u sqrt(1 - v^2 / 2), y = v sqrt(1 - u^2 / 2) takes the square to the
    disc; it is singular only at the corners of the square, on the rim. A quarter has its planes
    of symmetry at the left (x = 0) and bottom (y = 0).

    Raises
    ------
    InputError : sizes that are none, a surface without a height there.
    """
    positive("radius_mm", radius_mm)
    _sizes(fine_mm, coarse_mm, window_mm is not None)
    if window_mm is not None:
        positive("window_mm", window_mm)
    start = 0.0 if quarter else -radius_mm
    window = radius_mm if window_mm is None else window_mm
    breaks = graded_breaks(start, radius_mm, max(start, -window), window, fine_mm, coarse_mm)
    bases = [Basis.from_breaks(finer_breaks(breaks, need), degree) for need in needs]

    def surface(u: Array, v: Array) -> Array:
        x = u * np.sqrt(1.0 - 0.5 * (v / radius_mm) ** 2)
        y = v * np.sqrt(1.0 - 0.5 * (u / radius_mm) ** 2)
        return np.stack([x, y, curvature.height(x, y)], axis=1)

    return Patch.from_map(surface, bases[0], bases[1])
