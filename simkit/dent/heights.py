"""A measured undamaged surface: heights on a grid that covers the panel's plan."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from simkit.dent.field import Extent
from simkit.dent.grid import read_grid
from simkit.errors import InputError

Array = NDArray[np.float64]
STEEPEST_SLOPE = 1.2
"""Largest slope of a panel over its plan, about 50 degrees."""


@dataclass(frozen=True)
class MeasuredSurface:
    """Bicubic spline through heights z over the plan."""

    spline: RectBivariateSpline

    def height(self, x: Array, y: Array) -> Array:
        """z [mm] at plan positions x, y [mm]."""
        return np.asarray(self.spline(x, y, grid=False))


def read_heights(path: Path, plan: Extent) -> MeasuredSurface:
    """The surface of a heights file; ``plan`` (x_min, x_max, y_min, y_max) [mm] of the panel.

    Raises `InputError` for a grid that does not cover the plan, or is too steep for one.
    """
    grid = read_grid(path, highest_mm=np.inf)
    x0, x1, y0, y1 = plan
    slack = 1e-6 * max(x1 - x0, y1 - y0)
    if (grid.x_mm[0] > x0 + slack or grid.x_mm[-1] < x1 - slack
            or grid.y_mm[0] > y0 + slack or grid.y_mm[-1] < y1 - slack):
        raise InputError(
            f"heights from x {grid.x_mm[0]:g} to {grid.x_mm[-1]:g} and y {grid.y_mm[0]:g} to "
            f"{grid.y_mm[-1]:g} mm",
            f"a grid that covers the plan, x {x0:g} to {x1:g} and y {y0:g} to {y1:g} mm",
            file=grid.file)
    slope_y, slope_x = np.gradient(grid.d_mm, grid.y_mm, grid.x_mm)
    steepest = float(np.hypot(slope_x, slope_y).max())
    if steepest > STEEPEST_SLOPE:
        raise InputError(f"the surface rises by {steepest:.2g} mm a mm",
                         f"at most {STEEPEST_SLOPE:g}: level it, and give heights in mm",
                         file=grid.file)
    return MeasuredSurface(RectBivariateSpline(grid.x_mm, grid.y_mm, grid.d_mm.T, s=0))
