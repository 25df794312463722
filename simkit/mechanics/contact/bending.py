"""Bending of a tab: a thin plate clamped at its stem, with the deflections of simple loads.

For round tabs the shapes are the exact deflections under a uniform load and under a line load along
the rim, and two saddles; for long tabs those of cantilevers on both sides of the stem, along and
across. With the stiffness from plate theory (Kirchhoff; Timoshenko and Woinowsky-Krieger, Theory of
Plates and Shells, chapter 3) this is a Ritz model, so it is never softer than the plate. Its lift
on glue is within 2 % of the exact one while the plate extends less than four bending lengths
(D/K)^(1/4) beyond its stem; at six it is 8 % too stiff.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray

from simkit.tool.tabs import POISSON, Tab

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Bending:
    """Bending shapes of a tab, each 1 at the rim, and their stiffness (q, q), N/mm."""

    tab: Tab
    stiffness: Array

    def shapes(self, x_mm: Array, y_mm: Array) -> Array:
        """Deflection (m, q) at points of the tab's plane for amplitude 1 of each shape."""
        if self.tab.kind == "round":
            return _round_shapes(self.tab, x_mm, y_mm)
        return _long_shapes(self.tab, x_mm, y_mm)


def tab_bending(tab: Tab) -> Bending | None:
    """Bending shapes and stiffness of a tab; None for a rigid one."""
    if tab.rigid:
        return None
    assert tab.modulus_MPa is not None
    assert tab.thickness_mm is not None
    plate = tab.modulus_MPa * tab.thickness_mm**3 / (12.0 * (1.0 - POISSON**2))
    raw = _round_energy(tab) if tab.kind == "round" else _long_energy(tab)
    return Bending(tab, plate * raw)


def _basis(r: Array, stem_mm: float) -> tuple[Array, Array, Array]:
    """Deflection, slope and second derivative (m, 3) of r^2, r^2 ln r and r^4 at radii r (m,).

    Constants and ln r are added so that deflection and slope are zero at the stem (clamped).
    """
    s = 0.5 * stem_mm
    r = np.maximum(r, s)
    log = np.log(r / s)
    f = np.stack([r**2 - s**2 - 2 * s**2 * log, (r**2 - s**2) * log,
                  r**4 - s**4 - 4 * s**4 * log], axis=-1)
    f1 = np.stack([2 * r - 2 * s**2 / r, 2 * r * log + (r**2 - s**2) / r,
                   4 * r**3 - 4 * s**4 / r], axis=-1)
    f2 = np.stack([2 + 2 * s**2 / r**2, 2 * log + 3 + s**2 / r**2,
                   12 * r**2 + 4 * s**4 / r**2], axis=-1)
    return f, f1, f2


def _radial(tab: Tab, r: Array) -> tuple[Array, Array, Array]:
    """As :func:`_basis`, for the shapes under a uniform load, under a line load along the rim, and
    of the saddles; each 1 at the rim."""
    a = 0.5 * tab.length_mm
    rim, slope, curved = (part[0] for part in _basis(np.array([a]), tab.stem))
    moment = curved + POISSON * slope / a  # at the rim, over the plate stiffness
    # free rim: r^2 ln r with shear 4 / a cancels the shear 32 a of r^4; r^2 cancels the moment
    line = np.array([-moment[1] / moment[0], 1.0, 0.0])
    even = np.array([0.0, -8.0 * a**2, 1.0])
    even[0] = -(moment @ even) / moment[0]
    turn = np.stack([even, line, np.array([1.0, 0.0, 0.0])], axis=-1)
    f, f1, f2 = _basis(r, tab.stem)
    turn = turn / (rim @ turn)
    return f @ turn, f1 @ turn, f2 @ turn


def _round_shapes(tab: Tab, x: Array, y: Array) -> Array:
    """Deflections (m, 4): uniform load, rim load, saddles with cos 2a and sin 2a."""
    r, angle = np.hypot(x, y), np.arctan2(y, x)
    f, _, _ = _radial(tab, r)
    f = np.where((r > 0.5 * tab.stem)[:, None], f, 0.0)
    return np.stack([f[:, 0], f[:, 1], f[:, 2] * np.cos(2 * angle), f[:, 2] * np.sin(2 * angle)],
                    axis=-1)


def _round_energy(tab: Tab) -> Array:
    """Second derivatives (4, 4) of the bending energy by the shapes, for a unit plate stiffness."""
    s, a = 0.5 * tab.stem, 0.5 * tab.length_mm
    at, weight = leggauss(24)
    r = 0.5 * (a - s) * at + 0.5 * (a + s)
    weight = 0.5 * (a - s) * weight * r
    f, f1, f2 = _radial(tab, r)
    radial = np.stack([f2[:, 0], f2[:, 1], f2[:, 2]], axis=-1)
    # curvatures in polar coordinates: w'' radially, w'/r + w,aa / r^2 along the circle, twist
    hoop = f1 / r[:, None]
    hoop[:, 2] -= 4.0 * f[:, 2] / r**2
    twist = -2.0 * (f1[:, 2] / r - f[:, 2] / r**2)

    def both(i: int, j: int, share: float) -> float:
        total = (radial[:, i] + hoop[:, i]) * (radial[:, j] + hoop[:, j])
        total = total - (1.0 - POISSON) * (radial[:, i] * hoop[:, j] + radial[:, j] * hoop[:, i])
        if share == 1.0:
            total = total + 2.0 * (1.0 - POISSON) * twist**2
        return float(share * np.pi * (weight * total).sum())

    out = np.zeros((4, 4))
    for i in range(2):
        for j in range(2):
            out[i, j] = both(i, j, 2.0)
    out[2, 2] = out[3, 3] = both(2, 2, 1.0)
    return out


def _arm(reach: float, along: Array, stem: float) -> tuple[Array, Array]:
    """Cantilever from the stem to the end: (m, 2) deflections under uniform load and under a load
    at the end, each 1 at the end, and their second derivatives."""
    length = reach - 0.5 * stem
    t = np.maximum(np.abs(along) - 0.5 * stem, 0.0) / length
    even = (6 * t**2 - 4 * t**3 + t**4) / 3.0
    end = (3 * t**2 - t**3) / 2.0
    out = np.abs(along) > 0.5 * stem
    curved = np.stack([(12 - 24 * t + 12 * t**2) / 3.0, (6 - 6 * t) / 2.0], axis=-1)
    return np.stack([even, end], axis=-1), curved * out[:, None] / length**2


def _long_shapes(tab: Tab, x: Array, y: Array) -> Array:
    """Deflections (m, 4): two of the cantilever along, two of that across."""
    along, _ = _arm(0.5 * tab.length_mm, x, tab.stem)
    across, _ = _arm(0.5 * tab.width_mm, y, tab.stem)
    return np.column_stack([along, across])


def _long_energy(tab: Tab) -> Array:
    """As :func:`_round_energy`, by the midpoint rule over the footprint; the shapes have no twist.
    """
    x = (np.arange(600) + 0.5) / 600 * tab.length_mm - 0.5 * tab.length_mm
    y = (np.arange(120) + 0.5) / 120 * tab.width_mm - 0.5 * tab.width_mm
    xx, yy = (part.ravel() for part in np.meshgrid(x, y))
    inside = tab.covers(xx, yy)
    xx, yy = xx[inside], yy[inside]
    _, bx = _arm(0.5 * tab.length_mm, xx, tab.stem)
    _, by = _arm(0.5 * tab.width_mm, yy, tab.stem)
    zero = np.zeros_like(bx)
    wxx, wyy = np.column_stack([bx, zero]), np.column_stack([zero, by])
    area = tab.length_mm * tab.width_mm / (x.size * y.size)
    mixed = wxx.T @ wyy
    return area * (wxx.T @ wxx + wyy.T @ wyy + POISSON * (mixed + mixed.T))
