"""From points and the undamaged surface to the depth field.

Every point is projected along the normal onto the undamaged surface. The deviations are smoothed by
a bicubic spline with a penalty of second order, rho l^4 for rho points per mm^2, which removes
waves shorter than about 2 pi l. Several smoothing lengths l are tried. Each place takes the longest
one whose result agrees with those of the shorter ones within the noise, so that sharp features
are kept and smooth regions are strongly smoothed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from simkit.dent.hull import smooth_step
from simkit.scan.cells import Cells, filled, sort_into_cells
from simkit.scan.tensor import equations, open_knots, penalty

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
LENGTHS_IN_SPACINGS = (0.8, 1.6, 3.2, 6.4)
"""Smoothing lengths tried, over the spacing of the points."""
LEPSKI_FACTOR = 4.0
"""Difference of two fits, in standard deviations of the rougher one, that counts as real."""
OUTLIER_SIGMAS = 4.5
"""Deviation, in local standard deviations, above which a point is an outlier."""
SIGMA_PER_MAD = 1.4826
FINEST_MM, COARSE_STEPS = 1.0, 4.0
"""Smallest distance of grid lines; largest one over that in the damage."""
MOST_KNOTS = 30_000
RIM_MM, HOLE_CELLS = 12.0, 2.5
"""Width over which the field goes to zero at the rim; radius of the smallest hole, in cells."""
Damaged = Callable[[Array], Mask]
"""Function of places (n, 2) [mm]; tells which of them are damaged."""


class Undamaged(Protocol):
    """An undamaged surface over the frame's plane."""

    def gradient(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Height z and its slopes by x and y."""
        ...


@dataclass(frozen=True)
class Depth:
    """Depth field of a scan in its frame.

    Attributes
    ----------
    x_mm (nx,), y_mm (ny,) : grid lines, closer together at the damage.
    d_mm : (ny, nx) deviation along the outward normal; 0 outside the scan.
    noise_mm : standard deviation of one point about the field.
    smoothing_mm : shortest smoothing length in the damage, and longest anywhere.
    outliers : number of points removed as outliers.
    cover : cells of the scan; covered : (nx, ny) cells that belong to the scan, holes included;
        holes : (nx, ny) number of the hole to which a cell belongs, 0 for none.
    """

    x_mm: Array
    y_mm: Array
    d_mm: Array
    noise_mm: float
    smoothing_mm: tuple[float, float]
    outliers: int
    cover: Cells
    covered: Mask
    holes: NDArray[np.int64]


def down_normals(points: Array, surface: Undamaged) -> tuple[Array, Array]:
    """Projections (n, 2) of the points (n, 3) onto the surface, and signed distances (n,).

    Three steps of a fixed-point iteration along the normal. Each step reduces the error by a factor
    of the order of depth over radius of curvature.
    """
    u, v = points[:, 0].copy(), points[:, 1].copy()
    for _ in range(3):
        z, by_x, by_y = surface.gradient(u, v)
        length = np.sqrt(1.0 + by_x**2 + by_y**2)
        d = (points[:, 2] - z - by_x * (points[:, 0] - u) - by_y * (points[:, 1] - v)) / length
        u, v = points[:, 0] + d * by_x / length, points[:, 1] + d * by_y / length
    return np.column_stack([u, v]), np.asarray(d)


def fit_depth(points: Array, surface: Undamaged, spacing_mm: float, box: Array,
              damaged: Damaged) -> Depth:
    """Depth field of points (n, 3).

    ``box`` (2, 2): lower and upper corner of the damage [mm]; ``damaged``: tells which places
    (n, 2) belong to it. At the rim of the scan the field goes smoothly to zero where there is no
    damage.
    """
    feet, d = down_normals(points, surface)
    low, high = feet.min(axis=0), feet.max(axis=0)
    cover = sort_into_cells(feet, spacing_mm, low, high + 1e-6)
    covered, holes = _coverage(cover)
    fine = max(FINEST_MM, 1.5 * spacing_mm)
    breaks = _breaks(low, high, box, fine)
    while np.prod([len(b) + 2 for b in breaks]) > MOST_KNOTS:
        fine *= 1.1
        breaks = _breaks(low, high, box, fine)
    knots = open_knots(breaks[0]), open_knots(breaks[1])
    rough = penalty(*knots, 2)
    density = 1.0 / spacing_mm**2
    x, y = feet.T
    first = equations(x, y, d, np.ones(len(d)), knots[0], knots[1])
    rest = d - first.solve(rough, density * (2.0 * spacing_mm) ** 4)(x, y)
    good = _agreeing(feet, rest, spacing_mm)
    normal = equations(x, y, d, good.astype(float), knots[0], knots[1])
    fits = [normal.solve(rough, density * (length * spacing_mm) ** 4)
            for length in LENGTHS_IN_SPACINGS]
    rest = d[good] - fits[0](x[good], y[good])
    noise = SIGMA_PER_MAD * float(np.median(np.abs(rest)))
    value, index = _locally(np.array([fit(*np.meshgrid(*breaks)) for fit in fits]), noise)
    place = np.stack(np.meshgrid(*breaks), axis=-1).reshape(-1, 2)
    sore = damaged(place).reshape(value.shape)
    used = index[sore] if sore.any() else index
    return Depth(
        breaks[0], breaks[1], _closed(value, place, sore, cover, covered), noise,
        (LENGTHS_IN_SPACINGS[int(used.min())] * spacing_mm, LENGTHS_IN_SPACINGS[int(index.max())]
         * spacing_mm),
        int((~good).sum()), cover, covered, holes)


def _locally(values: Array, noise: float) -> tuple[Array, NDArray[np.int64]]:
    """Combine fits (k, ny, nx) of increasing smoothing length; also return the choice (ny, nx).

    Lepski's rule (1990: MEMORY): take the longest length whose fit differs from that of no shorter
    length l by more than `LEPSKI_FACTOR` standard deviations of the shorter one, which are
    noise / (sqrt(8) l) with l in spacings.
    """
    index = np.zeros(values.shape[1:], dtype=np.int64)
    stands = np.ones(values.shape[1:], dtype=bool)
    for k in range(1, len(values)):
        for j in range(k):
            apart = ndimage.maximum_filter(np.abs(values[k] - values[j]), 3)
            stands &= apart <= LEPSKI_FACTOR * max(noise, 1e-4) / (np.sqrt(8.0)
                                                                   * LENGTHS_IN_SPACINGS[j])
        index += stands
    index = ndimage.minimum_filter(index, 5)
    share = np.array([ndimage.gaussian_filter((index == k).astype(float), 2.0)
                      for k in range(len(values))])
    return np.asarray((share * values).sum(axis=0) / share.sum(axis=0)), index


def _agreeing(feet: Array, rest: Array, spacing: float) -> Mask:
    """Which points agree with their neighbours in the residual of a smooth field.

    At a sharp feature all points have large residuals; an outlier has one alone.
    """
    low, high = feet.min(axis=0), feet.max(axis=0)
    cells = sort_into_cells(feet, 3.0 * spacing, low, high + 1e-6)
    own = rest - cells.at(filled(cells.medians(rest)), feet)
    # points in nearly empty cells have no neighbours: compare them with the field itself
    usual = max(1.0, 0.4 * float(np.median(cells.count[cells.count > 0])))
    alone = cells.count.ravel()[cells.index] < usual
    own = np.where(alone, rest, own)
    spread = ndimage.maximum_filter(filled(cells.medians(np.abs(own))), 3)
    sigma = np.where(alone, 0.0, cells.at(spread, feet))
    sigma = SIGMA_PER_MAD * np.maximum(np.median(np.abs(own)), sigma)
    return np.asarray(np.abs(own) < np.maximum(OUTLIER_SIGMAS * sigma, 1e-3))


def _breaks(low: Array, high: Array, box: Array, fine: float) -> tuple[Array, Array]:
    """Grid lines in x and y: distance ``fine`` in the box, growing to four times that outside."""
    lines = []
    for i in (0, 1):
        start, end = max(box[0, i], low[i]), min(box[1, i], high[i])
        middle = np.linspace(start, end, max(2, round((end - start) / fine)) + 1)
        step = middle[1] - middle[0]
        left = start - _outward(start - low[i], step)[::-1]
        right = end + _outward(high[i] - end, step)
        lines.append(np.concatenate([left, middle, right]))
    return lines[0], lines[1]


def _outward(length: float, step: float) -> Array:
    """Distances of grid lines from the box over ``length``; the last one is at its end."""
    if length < 0.5 * step:
        return np.array([length]) if length > 0.05 * step else np.zeros(0)
    at, size = [0.0], step
    while at[-1] < length:
        size = min(size * 1.3, COARSE_STEPS * step)
        at.append(at[-1] + size)
    return np.array(at[1:]) * (length / at[-1])


def _coverage(cover: Cells) -> tuple[Mask, NDArray[np.int64]]:
    """Cells that belong to the scan, holes included, and the number of the hole of each cell.

    Cells hold one point on average. A cell without any point within `HOLE_CELLS` is part of a hole
    (with random points this happens once in 3e8 cells), and so are the empty cells around it up to
    the points.
    """
    seen = np.pad(cover.count > 0, 6)
    away = ndimage.distance_transform_edt(~seen)
    grown = away <= 4.0
    outline = ndimage.binary_fill_holes(ndimage.distance_transform_edt(grown) > 4.0)
    whole = outline | seen
    core = whole & (away > HOLE_CELLS)
    hole = whole & ~seen & (ndimage.distance_transform_edt(~core) <= HOLE_CELLS - 0.5)
    labels, _ = ndimage.label(hole, np.ones((3, 3)))
    # notches in the rim are not holes: they are connected to the outside
    outside = ndimage.binary_dilation(~whole, np.ones((3, 3)))
    labels[np.isin(labels, np.unique(labels[outside & (labels > 0)]))] = 0
    kept = np.unique(labels)
    numbers = np.searchsorted(kept, labels).astype(np.int64)
    return whole[6:-6, 6:-6], numbers[6:-6, 6:-6]


def _closed(d: Array, place: Array, sore: Mask, cover: Cells, covered: Mask) -> Array:
    """Deviations (ny, nx) at places (ny nx, 2), reduced smoothly to zero outside the scan and at
    its undamaged rim.

    ``sore`` (ny, nx): nodes in the damage, which keep their deviation.
    """
    away = ndimage.distance_transform_edt(~covered) * cover.step_mm
    far = cover.at(away, place).reshape(d.shape)
    within = cover.at(ndimage.distance_transform_edt(np.pad(covered, 1))[1:-1, 1:-1]
                      * cover.step_mm, place).reshape(d.shape)
    rim = np.where(sore, 1.0, smooth_step(within / RIM_MM))
    return np.asarray(d * rim * (1.0 - smooth_step(far / (5.0 * cover.step_mm))))
