"""Points sorted into square cells of the plane: medians, means and gaps of their values."""

from __future__ import annotations

from dataclasses import dataclass

import numba as nb
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Cells:
    """Square cells over points (n, 3).

    ``low_mm`` (2,) lower left corner, ``step_mm`` side length, ``shape`` (nx, ny), ``index`` (n,)
    cell of each point (-1: outside), ``count`` (nx, ny) number of points in each cell.
    """

    low_mm: Array
    step_mm: float
    shape: tuple[int, int]
    index: Ints
    count: Ints

    @property
    def middles_mm(self) -> tuple[Array, Array]:
        """x (nx,) and y (ny,) of the centres of the cells, mm."""
        x, y = (self.low_mm[i] + self.step_mm * (np.arange(self.shape[i]) + 0.5) for i in (0, 1))
        return x, y

    def medians(self, value: Array) -> Array:
        """(nx, ny) median of a value (n,) in each cell, NaN in empty ones."""
        order, start = self.sorted_by(value)
        middle = np.full(self.count.size, np.nan)
        filled = np.flatnonzero(self.count.ravel())
        n = self.count.ravel()[filled]
        upper, lower = start[filled] + n // 2, start[filled] + (n - 1) // 2
        middle[filled] = 0.5 * (value[order[upper]] + value[order[lower]])
        return middle.reshape(self.shape)

    def sorted_by(self, value: Array) -> tuple[Ints, Ints]:
        """Order of the points by cell and value, and where each cell starts in it."""
        inside = np.flatnonzero(self.index >= 0)
        order = inside[np.lexsort((value[inside], self.index[inside]))]
        start = np.concatenate([[0], np.cumsum(self.count.ravel())[:-1]])
        return order.astype(np.int64), start.astype(np.int64)

    def means(self, value: Array) -> Array:
        """(nx, ny) mean of a value (n,) in each cell, 0 in empty ones."""
        inside = self.index >= 0
        total = np.bincount(self.index[inside], value[inside], minlength=self.count.size)
        return (total / np.maximum(self.count.ravel(), 1)).reshape(self.shape)

    def at(self, grid: Array, xy: Array) -> Array:
        """(n,) bilinear interpolation at places (n, 2) of a grid (nx, ny) at the cell centres."""
        place = (xy - self.low_mm) / self.step_mm - 0.5
        return np.asarray(ndimage.map_coordinates(grid, place.T, order=1, mode="nearest"))


def sort_into_cells(xy: Array, step_mm: float, low: Array, high: Array) -> Cells:
    """Cells of side ``step_mm`` over the rectangle from ``low`` (2,) to ``high`` (2,)."""
    nx, ny = (max(1, int(np.ceil((high[i] - low[i]) / step_mm))) for i in (0, 1))
    at = np.floor((xy - low) / step_mm).astype(np.int64)
    inside = ((at >= 0) & (at < [nx, ny])).all(axis=1)
    index = np.where(inside, at[:, 0] * ny + at[:, 1], -1)
    count = np.bincount(index[inside], minlength=nx * ny).reshape(nx, ny)
    return Cells(np.asarray(low, float), float(step_mm), (nx, ny), index, count)


def filled(grid: Array) -> Array:
    """A grid whose NaNs are replaced by the value of the nearest cell that has one."""
    missing = np.isnan(grid)
    if not missing.any():
        return grid
    nearest = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
    return np.asarray(grid[tuple(nearest)])


def gap_shares(cells: Cells, value: Array) -> tuple[Array, Array]:
    """Per cell, (nx ny,): widest gap between neighbouring sorted values, and the spread beside it.

    The gap is searched between the 15th and the 85th percentile. The spread is the larger distance
    from an end of the gap to the median of the values on its side. NaN in cells with fewer than 8
    points.
    """
    order, start = cells.sorted_by(value)
    return _gaps(value[order], start, cells.count.ravel().astype(np.int64))


@nb.njit(cache=True)
def _gaps(value, start, count):
    gap = np.full(count.size, np.nan)
    spread = np.full(count.size, np.nan)
    for k in range(count.size):
        n = count[k]
        if n < 8:
            continue
        first, last = start[k] + int(0.15 * n), start[k] + int(0.85 * n)
        best = 0.0
        at = first
        for i in range(first, last):
            wide = value[i + 1] - value[i]
            if wide > best:
                best = wide
                at = i
        # medians of the two sides, which a few outliers do not change
        below = value[(start[k] + at) // 2]
        above = value[(at + 1 + start[k] + n - 1) // 2]
        gap[k] = best
        spread[k] = max(value[at] - below, above - value[at + 1])
    return gap, spread
