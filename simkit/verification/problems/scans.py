"""Artificial scans with a known truth: a panel, a dent, and the errors of a scanner.

The panel is z = height(x, y), the dent a deviation d(x, y) along its outward normal. The scan is
the dented surface with noise, outliers and a hole, in any pose and unit. All data are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.dent.shapes import Bowl, Crease, Plain, Shapes

Array = NDArray[np.float64]
Surface = Callable[[Array, Array], Array]
MM_PER_UNIT = {"mm": 1.0, "m": 1000.0, "inch": 25.4}
LENGTH_MM, WIDTH_MM = 520.0, 380.0


@dataclass(frozen=True)
class Arcs:
    """Sum of two circular arcs, convex outwards; an infinite radius [mm] gives a straight line."""

    radius_x_mm: float = np.inf
    radius_y_mm: float = np.inf

    def __call__(self, x: Array, y: Array) -> Array:
        """z [mm] at x, y [mm]."""
        z = np.zeros(np.broadcast(x, y).shape)
        for t, radius in ((x, self.radius_x_mm), (y, self.radius_y_mm)):
            if np.isfinite(radius):
                z = z - t**2 / (radius + np.sqrt(radius**2 - t**2))
        return z


@dataclass(frozen=True)
class FeatureLine:
    """Arcs with a feature line: the surface turns by ``turn_rad`` across a slightly bent line.

    The line is y = offset + slope x + bend x^2 [mm]; ``radius_mm`` is the radius across it.
    """

    base: Arcs
    offset_mm: float = 105.0
    slope: float = 0.12
    bend_per_mm: float = 1.0e-4
    turn_rad: float = 0.25
    radius_mm: float = 6.0

    def __call__(self, x: Array, y: Array) -> Array:
        """z [mm] at x, y [mm]."""
        v = y - self.offset_mm - self.slope * x - self.bend_per_mm * x**2
        # z'' = -(turn / 2) / a at v = 0, hence the radius there is 2 a / turn.
        a = 0.5 * self.turn_rad * self.radius_mm
        return self.base(x, y) - 0.5 * self.turn_rad * (np.sqrt(v**2 + a**2) + v)


PANELS: dict[str, Surface] = {
    "flat": Arcs(),
    "single-curved": Arcs(radius_x_mm=1500.0),
    "double-curved": Arcs(radius_x_mm=1200.0, radius_y_mm=700.0),
    "feature line": FeatureLine(Arcs(radius_x_mm=1500.0, radius_y_mm=900.0)),
}

DENTS: dict[str, tuple[Plain, ...]] = {
    "bowl": (Bowl(20.0, -25.0, 3.0, 100.0, 80.0, 25.0, 0.3),),
    "crease": (Crease(10.0, -20.0, 2.5, 150.0, 60.0, -30.0, 0.25, radius_mm=8.0),),
    "two bowls": (Bowl(-70.0, -40.0, 2.0, 70.0, 60.0, 0.0, 0.2),
                  Bowl(60.0, -10.0, 3.5, 90.0, 90.0, 0.0, 0.35)),
}


@dataclass(frozen=True)
class MadeScan:
    """An artificial scan and its truth.

    Attributes
    ----------
    points : (n, 3) in the unit and pose of the scan; ``normals`` (n, 3): outward normals there.
    triangles : (m, 3) indices of points, for mesh files; without the far outliers.
    unit : mm, m or inch; ``turn`` (3, 3) and ``shift`` (3,) [mm]: scan = turn panel + shift.
    panel, dent : the functions from which it was made.
    """

    points: Array
    normals: Array
    triangles: NDArray[np.int64]
    unit: str
    turn: Array
    shift: Array
    panel: Surface
    dent: Surface

    def in_scan(self, xyz: Array) -> Array:
        """Places (n, 3) of the panel's frame [mm], in the scan's pose [mm]."""
        return xyz @ self.turn.T + self.shift


def surface_points(panel: Surface, x: Array, y: Array) -> tuple[Array, Array]:
    """Points (n, 3) of the undamaged panel and outward normals (n, 3) by central differences."""
    h = 1e-3
    slope_x = (panel(x + h, y) - panel(x - h, y)) / (2.0 * h)
    slope_y = (panel(x, y + h) - panel(x, y - h)) / (2.0 * h)
    normal = np.column_stack([-slope_x, -slope_y, np.ones_like(x)])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    return np.column_stack([x, y, panel(x, y)]), normal


def make_scan(
    panel: Surface, shapes: tuple[Plain, ...], count: int, unit: str = "mm", seed: int = 0,
    noise_mm: float = 0.03, outliers: float = 0.02, hole_mm: float = 9.0, jitter: float = 0.35,
) -> MadeScan:
    """Scan of a dented panel of 520 x 380 mm with about ``count`` points.

    ``noise_mm``: standard deviation along the normal. ``outliers``: share of wrong points, half of
    them anywhere in the box around the panel, half within 2 mm of it. ``hole_mm``: radius of a
    round hole in the dent's flank. The mesh has no triangles at the far outliers and spikes at the
    near ones. Without ``shapes`` the panel is undamaged.
    """
    rng = np.random.default_rng(seed)
    step = np.sqrt(LENGTH_MM * WIDTH_MM / count)
    nx, ny = round(LENGTH_MM / step), round(WIDTH_MM / step)
    x, y = np.meshgrid((np.arange(nx) + 0.5) / nx - 0.5, (np.arange(ny) + 0.5) / ny - 0.5)
    x, y = (LENGTH_MM * x).ravel(), (WIDTH_MM * y).ravel()
    x, y = (v + jitter * step * rng.uniform(-1.0, 1.0, v.size) for v in (x, y))
    dent = Shapes(shapes)
    base, normal = surface_points(panel, x, y)
    points = base + (dent(x, y) + rng.normal(0.0, noise_mm, x.size))[:, None] * normal
    bad = rng.random(x.size) < outliers
    far = bad & (rng.random(x.size) < 0.5)
    near = bad & ~far
    low, high = base.min(axis=0) - 40.0, base.max(axis=0) + 40.0
    points[far] = rng.uniform(low, high, (int(far.sum()), 3))
    points[near] += rng.uniform(-2.0, 2.0, int(near.sum()))[:, None] * normal[near]
    there = np.ones(x.size, dtype=bool)
    if shapes:
        first = shapes[0]
        away = np.hypot(x - first.x_mm - 0.25 * first.length_mm, y - first.y_mm)
        there = away > hole_mm
    triangles = _triangles(nx, ny)
    triangles = triangles[(there & ~far)[triangles].all(axis=1)]
    # New index of each remaining point.
    number = np.cumsum(there) - 1
    turn, shift = _pose(rng)
    placed = (points[there] @ turn.T + shift) / MM_PER_UNIT[unit]
    return MadeScan(placed, normal[there] @ turn.T, number[triangles], unit, turn, shift, panel,
                    dent)


def _triangles(nx: int, ny: int) -> NDArray[np.int64]:
    """Triangles of a grid numbered along x first; counter-clockwise seen from outside."""
    i = np.arange(nx * ny).reshape(ny, nx)
    a, b, c, d = (part.ravel() for part in (i[:-1, :-1], i[:-1, 1:], i[1:, 1:], i[1:, :-1]))
    return np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])])


def _pose(rng: np.random.Generator) -> tuple[Array, Array]:
    """A random rotation (QR of a Gaussian matrix, made proper) and a shift of up to 2 m."""
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    # Signs by R make the rotations uniformly distributed (Mezzadri 2007; MEMORY).
    q = q * np.sign(np.diag(r))
    if np.linalg.det(q) < 0.0:
        q[:, 0] = -q[:, 0]
    return q, rng.uniform(-2000.0, 2000.0, 3)
