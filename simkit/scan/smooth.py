"""A smooth surface fitted to a sheet of points, with robust weights against outliers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from simkit.scan.cells import sort_into_cells
from simkit.scan.tensor import TensorSpline, equations, even_knots, penalty

Array = NDArray[np.float64]
SIGMA_PER_MAD = 1.4826
MOST_KNOTS = 30_000


def tukey(rest: Array, limit: float) -> Array:
    """Tukey's biweight: (1 - (rest / limit)^2)^2 below ``limit``, else 0."""
    return np.clip(1.0 - (rest / limit) ** 2, 0.0, None) ** 2


@dataclass(frozen=True)
class SmoothSheet:
    """Smooth surface z = f(x, y) of a sheet, and the cells that the sheet covers."""

    spline: TensorSpline
    low: Array
    step: float
    covered: NDArray[np.bool_]

    def gradient(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Height z and its slopes by x and y."""
        return self.spline.gradient(x, y)

    def covers(self, xy: Array) -> NDArray[np.bool_]:
        """Which places (n, 2) are covered."""
        at = np.floor((xy - self.low) / self.step).astype(np.int64)
        inside: NDArray[np.bool_] = np.asarray(((at >= 0) & (at < self.covered.shape)).all(axis=1))
        at = np.where(inside[:, None], at, 0)
        return np.asarray(inside & self.covered[at[:, 0], at[:, 1]])


def smooth_sheet(points: Array, spacing_mm: float, knots_mm: float, over: float = 2.0
                 ) -> SmoothSheet:
    """Smooth surface fitted to the points (n, 3), with knots about ``knots_mm`` apart.

    ``over``: smoothing length in spacings; 1 keeps feature lines, 2 removes more noise.
    """
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    step = max(knots_mm, float(np.sqrt(np.prod(high - low) / MOST_KNOTS)), 1.5 * spacing_mm)
    knots = even_knots(low[0], high[0], step), even_knots(low[1], high[1], step)
    middle = float(np.median(points[:, 2]))
    rough, weight = penalty(*knots, 2), np.ones(len(points))
    length = over * spacing_mm
    for _ in range(3):
        spline = equations(points[:, 0], points[:, 1], points[:, 2] - middle, weight, *knots).solve(
            rough, length**4 / spacing_mm**2)
        rest = points[:, 2] - middle - spline(points[:, 0], points[:, 1])
        weight = tukey(rest, 6.0 * max(SIGMA_PER_MAD * float(np.median(np.abs(rest))), 1e-4))
    spline = TensorSpline(spline.knots_x, spline.knots_y, spline.coefficients + middle)
    cells = sort_into_cells(points[:, :2], max(3.0 * spacing_mm, 2.0), low, high + 1e-6)
    covered = ndimage.binary_fill_holes(ndimage.binary_closing(
        np.pad(cells.count > 0, 3), np.ones((3, 3)), iterations=2))[3:-3, 3:-3]
    return SmoothSheet(spline, low, cells.step_mm, covered)
