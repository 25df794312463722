"""Yardstick of a panel: height and slopes over their limits at many places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.inspection.measures import slope_parts
from simkit.inspection.spots import SampledField
from simkit.repair.workpiece import Workpiece

Array = NDArray[np.float64]
SPACING_MM = 6.0
"""Distance of the places at which a field is judged; slopes are taken over 20 mm."""
BESIDE_MM = 40.0
"""Width of the judged region around the fine elements."""


@dataclass(frozen=True)
class Yardstick:
    """Places at which fields are judged, and the limits there.

    rows, columns : indices of the places in the sampling grid; tolerance_mm, limit_mrad, base_mm :
    limits of the goal.
    """

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    x_mm: Array
    y_mm: Array
    tolerance_mm: float
    limit_mrad: float
    base_mm: float

    def read(self, field: SampledField) -> Array:
        """(3, n) height over tolerance, slopes along x and y over their limit, at the places."""
        return self.everywhere(field)[:, self.rows, self.columns]

    def everywhere(self, field: SampledField) -> Array:
        """(3, ny, nx) the same on the whole grid of the field."""
        parts = slope_parts(field, self.base_mm)
        height = np.where(field.on_panel, field.d_mm, 0.0)
        return np.stack([height / self.tolerance_mm,
                         *(np.nan_to_num(part) / self.limit_mrad for part in parts)])

    def use(self, parts: Array) -> Array:
        """Larger of height and slope over their limits at the places; parts (..., 3, n)."""
        slope2 = parts[..., 1, :] ** 2 + parts[..., 2, :] ** 2
        return np.sqrt(np.maximum(parts[..., 0, :] ** 2, slope2))


def make_yardstick(work: Workpiece, limits: tuple[float, float]) -> Yardstick:
    """Yardstick of a workpiece for limits of height, mm, and slope, mrad."""
    grid, window = work.sampling, work.window
    step = grid.x_mm[1] - grid.x_mm[0], grid.y_mm[1] - grid.y_mm[0]
    # 1e-9: a quotient of 2.9999999 by rounding counts as 3.
    stride = [max(1, int(SPACING_MM / s + 1e-9)) for s in step]
    columns = np.arange(0, len(grid.x_mm), stride[0])
    rows = np.arange(0, len(grid.y_mm), stride[1])
    x, y = grid.x_mm[columns], grid.y_mm[rows]
    columns = columns[(x > window.x_from - BESIDE_MM) & (x < window.x_to + BESIDE_MM)]
    rows = rows[(y > window.y_from - BESIDE_MM) & (y < window.y_to + BESIDE_MM)]
    row, column = (a.ravel() for a in np.meshgrid(rows, columns, indexing="ij"))
    on = grid.valid[row, column]
    row, column = row[on], column[on]
    return Yardstick(row, column, grid.x_mm[column], grid.y_mm[row], *limits,
                     work.case.goal.slope_base_mm)
