"""Cleaning of raw points: islands and outliers are removed, a second sheet is refused."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from simkit.errors import InputError
from simkit.scan.cells import Cells, filled, gap_shares, sort_into_cells
from simkit.scan.frame import Frame, centred, level, long_side

Array = NDArray[np.float64]
FEWEST_POINTS = 200
"""Smallest number of points of a scan."""
LEAST_WIDTH_SHARE = 1e-3
"""Width over length, as root mean squares, below which points count as lying on a line."""
PER_CELL, PER_CELL_OF_TWO = 12, 24
"""Desired number of points in a cell, for cleaning and for the detection of two sheets."""
FINEST_SHARE = 1.0 / 160.0
"""Smallest side of a cell over the scan's length."""
OUTLIER_MADS = 7.0
"""Distance from the sheet, in standard deviations, above which a point is an outlier."""
SMALLEST_OUTLIER_MM = 0.25
"""Distance from the sheet below which no point is an outlier."""
MOST_USUAL = 10.0
"""Largest local spread over the median spread of all cells."""
GAP_MM = 0.2
"""Smallest distance of two sheets."""
TWO_SHEETS_SHARE = 0.4
"""Share of cells with a gap above which the scan has two sheets."""
SIGMA_PER_MAD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""


@dataclass(frozen=True)
class CleanScan:
    """A cleaned scan of one sheet.

    Attributes
    ----------
    frame : its frame in the scan; the sense of z is not decided yet.
    points : (n, 3) points in that frame [mm].
    kept : (n,) their numbers in the scan.
    outliers, islands : numbers of points removed because they are off the sheet, and beside it.
    spacing_mm : mean distance of neighbours, the square root of area over points.
    """

    frame: Frame
    points: Array
    kept: NDArray[np.int64]
    outliers: int
    islands: int
    spacing_mm: float


def clean_sheet(points: Array, file: str) -> CleanScan:
    """The sheet on which most of the points (n, 3) [mm] lie.

    Raises `InputError` for too few points, points on a line, and two sheets on top of each other.
    """
    if len(points) < FEWEST_POINTS:
        raise InputError(f"{len(points)} points", f"at least {FEWEST_POINTS} in a scan (a few "
                         "gauge points go under points_csv)", file=file)
    _check_spread(points, "all points lie on one line", file)
    frame = level(points)
    inside = frame.of(points)
    cells = _cells(inside, PER_CELL)
    main = _main_piece(cells)
    # the last entry belongs to points outside all cells, whose index is -1
    on_main = np.zeros(cells.count.size + 1, dtype=bool)
    on_main[:-1] = ndimage.binary_dilation(main, np.ones((3, 3))).ravel()
    near = on_main[cells.index]
    islands = int((~near).sum())
    _check_one_sheet(inside[near], file)
    rest, spread = _off_sheet(inside, cells, main)
    off = np.abs(rest) > np.maximum(OUTLIER_MADS * SIGMA_PER_MAD * spread, SMALLEST_OUTLIER_MM)
    kept = np.flatnonzero(near & ~off)
    if len(kept) < FEWEST_POINTS:
        raise InputError(f"only {len(kept)} of {len(points)} points lie on one sheet",
                         "a scan of one panel seen from its outer face", file=file)
    _check_spread(frame.of(points[kept])[:, :2],
                  f"{len(kept)} of {len(points)} points lie on one line, the others on no sheet",
                  file)
    # without stray points the directions of the scan's sides can be found
    frame = frame.turned(long_side(frame.of(points[kept])[:, :2]))
    frame = centred(frame, points[kept])
    area = main.sum() * cells.step_mm**2
    return CleanScan(frame, frame.of(points[kept]), kept, int((near & off).sum()), islands,
                 float(np.sqrt(area / len(kept))))


def _check_spread(points: Array, fault: str, file: str) -> None:
    """Points (n, 2 or 3) must not lie on one line: InputError with this fault."""
    size = np.linalg.svd(points - np.median(points, axis=0), compute_uv=False, full_matrices=False)
    if size[1] < LEAST_WIDTH_SHARE * size[0]:
        raise InputError(fault, "points spread over a panel", file=file)


def _cells(points: Array, each: int) -> Cells:
    """Cells that hold about ``each`` points, empty ones not counted."""
    low, high = (np.percentile(points[:, :2], p, axis=0) for p in (0.5, 99.5))
    wide = np.maximum(high - low, 1e-9)
    low, high = low - 0.05 * wide, high + 0.05 * wide
    step = np.sqrt(float(np.prod(wide)) * each / len(points))
    step = max(step, FINEST_SHARE * float(wide.max()))
    cells = sort_into_cells(points[:, :2], step, low, high)
    # if much of the rectangle is empty, filled cells hold too many points: make them smaller
    typical = np.median(cells.count[cells.count > 0])
    if typical > 2.0 * each:
        step = max(step * np.sqrt(each / typical), FINEST_SHARE * float(wide.max()))
        cells = sort_into_cells(points[:, :2], step, low, high)
    return cells


def _main_piece(cells: Cells) -> NDArray[np.bool_]:
    """(nx, ny) the largest connected piece of cells with more than a few points."""
    typical = np.median(cells.count[cells.count > 0])
    dense = cells.count >= max(2.0, 0.2 * typical)
    labels, number = ndimage.label(dense, np.ones((3, 3)))
    if number == 0:
        return dense
    sizes = np.bincount(labels.ravel(), cells.count.ravel(), minlength=number + 1)
    return np.asarray(labels == 1 + int(np.argmax(sizes[1:])))


def _off_sheet(points: Array, cells: Cells, main: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Distance (n,) of points from the interpolated median heights, and the local spread there."""
    heights = filled(np.where(main, cells.medians(points[:, 2]), np.nan))
    rest = points[:, 2] - _bent(cells, heights, points[:, :2])
    # in curved or sloping cells the median is not the height at the centre: repeat for the rest
    again = filled(np.where(main, cells.medians(rest), np.nan))
    rest = rest - cells.at(again, points[:, :2])
    usual = filled(np.where(main, cells.medians(np.abs(rest)), np.nan))
    # a rim cell with stray points only must not raise the limit for itself and its neighbours
    most = max(MOST_USUAL * float(np.median(usual)), SMALLEST_OUTLIER_MM)
    usual = np.minimum(ndimage.maximum_filter(ndimage.median_filter(usual, 3), 3), most)
    return rest, cells.at(usual, points[:, :2])


def _bent(cells: Cells, heights: Array, xy: Array) -> Array:
    """Cubic interpolation of the cells' heights at places (n, 2)."""
    place = (xy - cells.low_mm) / cells.step_mm - 0.5
    return np.asarray(ndimage.map_coordinates(heights, place.T, order=3, mode="nearest"))


def _check_one_sheet(points: Array, file: str) -> None:
    """Raise `InputError` if many cells hold two groups of heights with a gap between them."""
    cells = _cells(points, PER_CELL_OF_TWO)
    heights = filled(cells.medians(points[:, 2]))
    # a slope inside a cell spreads the heights: subtract the smoothed surface first
    smooth = ndimage.gaussian_filter(heights, 1.0)
    rest = points[:, 2] - cells.at(smooth, points[:, :2])
    gap, spread = gap_shares(cells, rest)
    known = np.isfinite(gap)
    two = known & (gap > GAP_MM) & (gap > 3.0 * spread)
    if known.sum() and two.sum() > TWO_SHEETS_SHARE * known.sum():
        apart = float(np.median(gap[two]))
        raise InputError(
            f"two sheets on top of each other, about {apart:.2g} mm apart",
            "the outer face only: delete the other face, or scan from outside", file=file)
