"""How far a panel is from its goal, for sums of fields: heights, slopes, and one number of merit.

With u the larger of |d|/tolerance and slope/limit at each place, the merit sharpens as the panel
comes nearer: the hinge (u - 1)^2 while the largest u is far off, then the norm of u with the power
6, then 12. Sums of volumes halve the steps by their own measure and leave a pip; the largest u
alone gets trapped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.inspection.measures import slope_parts
from simkit.inspection.spots import SampledField
from simkit.repair.workpiece import Workpiece

Array = NDArray[np.float64]
SPACING_MM = 6.0
"""Places at which a field is judged lie about so far apart: slopes are taken over 20 mm."""
BESIDE_MM = 40.0
"""So far round the fine elements it is judged."""
FAR, NEAR = 4.2, 1.8
"""Largest u above which the hinge counts, and below which the power is 12."""
AREA_MM2 = 400.0
"""Area that scales the norms, so that they are about the largest u: the slope's base squared."""


@dataclass(frozen=True)
class Yardstick:
    """Places at which fields are judged, and the limits there.

    rows, columns : of the sampling grid; tolerance_mm, limit_mrad, base_mm : of the goal;
    cell_mm2 : area a place stands for.
    """

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    x_mm: Array
    y_mm: Array
    tolerance_mm: float
    limit_mrad: float
    base_mm: float
    cell_mm2: float

    def read(self, field: SampledField) -> Array:
        """(3, n) height over tolerance, slopes along x and y over their limit, at the places."""
        parts = slope_parts(field, self.base_mm)
        at = self.rows, self.columns
        height = np.where(field.on_panel, field.d_mm, 0.0)
        return np.stack([height[at] / self.tolerance_mm,
                         *(np.nan_to_num(part[at]) / self.limit_mrad for part in parts)])

    def use(self, parts: Array) -> Array:
        """u at the places; parts (..., 3, n)."""
        slope2 = parts[..., 1, :] ** 2 + parts[..., 2, :] ** 2
        return np.sqrt(np.maximum(parts[..., 0, :] ** 2, slope2))

    def merit(self, parts: Array, power: int) -> Array:
        """Merit of fields (..., 3, n), the less the better; power 0: hinge, 6 or 12: norm."""
        square = np.maximum(parts[..., 0, :] ** 2,
                            parts[..., 1, :] ** 2 + parts[..., 2, :] ** 2)
        share = self.cell_mm2 / AREA_MM2
        if power == 0:
            beyond = np.maximum(np.sqrt(square) - 1.0, 0.0)
            return np.sqrt(share * (beyond**2).sum(axis=-1))
        high = square**3
        return (share * (high if power == 6 else high**2).sum(axis=-1)) ** (1.0 / power)

    def slope_of_merit(self, parts: Array, power: int) -> Array:
        """Derivative (3, n) of the merit's sum by the parts, up to a factor."""
        slope2 = parts[1] ** 2 + parts[2] ** 2
        by_height = parts[0] ** 2 >= slope2
        u = np.sqrt(np.maximum(parts[0] ** 2, slope2))
        weight = np.maximum(1.0 - 1.0 / np.maximum(u, 1e-9), 0.0) if power == 0 else (
            (u / max(float(u.max()), 1e-9)) ** (power - 2))
        return weight * np.where(by_height, np.array([[1.0], [0.0], [0.0]]),
                                 np.array([[0.0], [1.0], [1.0]])) * parts


def power_at(largest_use: float) -> int:
    """Power of the merit for a panel whose largest u is this; 0 is the hinge."""
    return 0 if largest_use > FAR else 6 if largest_use > NEAR else 12


def make_yardstick(work: Workpiece, limits: tuple[float, float]) -> Yardstick:
    """Yardstick of a workpiece for limits of height, mm, and slope, mrad."""
    grid, window = work.sampling, work.window
    step = grid.x_mm[1] - grid.x_mm[0], grid.y_mm[1] - grid.y_mm[0]
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
                     work.case.goal.slope_base_mm,
                     float(step[0] * stride[0] * step[1] * stride[1]))
