"""The undamaged panel: a smooth surface fitted to the points outside the damage.

The surface is a polynomial plus a bicubic spline with a penalty of third order, over the chart of
the feature lines; the spline's knots are close together at these lines. Models of increasing
flexibility are tried: polynomials of degree 2 to 6 with a stiff spline, then softer splines. For
each model, Tukey's weights (Beaton and Tukey 1974: MEMORY) first reduce the influence of the dent.
Then all cells beyond the noise count as damage and are left out, until nothing changes. The
simplest model is taken whose residual outside the damage is noise only and whose damage has
undamaged surroundings, because a flexible model could follow a dent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.legendre import legvander2d
from numpy.typing import NDArray
from scipy import ndimage

from simkit.scan.cells import Cells, filled, sort_into_cells
from simkit.scan.feature import Chart, find_feature_lines
from simkit.scan.smooth import SIGMA_PER_MAD, smooth_sheet, tukey
from simkit.scan.surface import Surface, graded_breaks, knot_count
from simkit.scan.tensor import equations, open_knots, penalty

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

STIFF_WEIGHT = 1e-3
MODELS = ((2, STIFF_WEIGHT), (3, STIFF_WEIGHT), (4, STIFF_WEIGHT), (5, STIFF_WEIGHT),
          (6, STIFF_WEIGHT), (6, 1e-6), (6, 1e-7),
          (6, 1e-8))
"""Degree of the polynomial and weight of the spline's penalty, by increasing flexibility."""
AS_GOOD, CLEARLY_LESS = 1.4, 0.99
"""Largest rms residual over the noise of a cell; ratio of rms residuals that is clearly better."""
RIM_PART = 0.3  # share of the cells that count as the outer part of a scan
MOST_DAMAGE, MOST_RIM = 0.7, 0.3
"""Largest damaged shares of a scan and of its rim for which the reference is accepted."""
ROBUST_ITERATIONS, FIRST_SCALE_FACTOR, SCALE_REDUCTION = 30, 3.0, 0.75
"""Iterations that remove the damage; first damage limit over the residual, and its reduction in
each iteration."""
LEAST_OUTSIDE = 0.25  # smallest share of undamaged cells with which the fit is continued
TUKEY_CONSTANT = 4.685
"""Limit of Tukey's biweight in standard deviations: 95 % efficiency for normal errors (MEMORY)."""
MOST_CELLS = 40_000
MOST_FOR_GROUND = 200_000
SEED_SIGMAS, GROW_SIGMAS = 5.0, 1.0
"""Deviations, in noise of a cell, that make a piece of cells damage, and that belong to it."""
LEAST_CELLS = 6  # smallest number of cells of a damage
SMALLEST_DAMAGE_MM = 0.08
"""Deviations below this are not taken as damage: half of what can be felt (common practice, no
source)."""


@dataclass(frozen=True)
class Reference:
    """The undamaged surface z = f(x, y) in a scan's frame, with the results of its fit.

    Attributes
    ----------
    chart, surface, scale_mm : f(x, y) = scale * surface(chart(x, y) / scale).
    cells : cells on which it was fitted; deviation (nx, ny) of them from it, NaN where empty.
    damage : (nx, ny) damaged cells, with a margin of two cells.
    rms_mm : rms deviation of the cells outside the damage.
    noise_mm : standard deviation of one point about its cell's surface.
    floor_mm : noise of one cell; damage_share, rim_share : damaged shares of the scan and its rim.
    good : whether the residual is noise only and the damage has undamaged surroundings.
    model : degree of the polynomial and stiffness of the spline chosen.
    """

    chart: Chart
    surface: Surface
    scale_mm: float
    cells: Cells
    deviation: Array
    damage: Mask
    rms_mm: float
    noise_mm: float
    floor_mm: float
    damage_share: float
    rim_share: float
    good: bool
    model: tuple[int, float]

    def __call__(self, x: Array, y: Array) -> Array:
        """Height z [mm] of the undamaged surface at x, y [mm]."""
        s, t = self.chart.of(x, y)
        return np.asarray(self.scale_mm * self.surface(s / self.scale_mm, t / self.scale_mm))

    def gradient(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Height and slopes by x and y."""
        s, t = self.chart.of(x, y)
        z, by_s, by_t = self.surface.gradient(s / self.scale_mm, t / self.scale_mm)
        return self.scale_mm * z, *self.chart.slopes(x, y, by_s, by_t)


def fit_reference(points: Array, spacing_mm: float) -> Reference:
    """Undamaged surface of the points (n, 3) of a cleaned sheet in its frame."""
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    step = max(1.01 * float(np.sqrt(np.prod(high - low) / MOST_CELLS)), 1.6 * spacing_mm)
    cells = sort_into_cells(points[:, :2], step, low, high + 1e-6)
    arm = max(3.0 * step, 8.0)
    heights = np.where(well_filled(cells), cells.medians(points[:, 2]), np.nan)
    chart = find_feature_lines(_thin(heights), step, low + 0.5 * step, arm)
    data = _Data.of(points, cells)
    problem = _Problem.of(data, chart, float((high - low).max()), spacing_mm)
    return problem.solve(cells, data)


def _thin(heights: Array) -> Array:
    """Heights with single empty cells filled, so that lines are not interrupted, and without rim.

    Cells at the rim are partly empty, so their medians do not belong to their centres.
    """
    near = ndimage.generic_filter(np.isfinite(heights).astype(float), np.mean, 3, mode="constant")
    whole = np.where(np.isfinite(heights) | (near < 0.5), heights, filled(heights))
    inner = ndimage.binary_erosion(np.isfinite(whole), np.ones((3, 3)), border_value=0)
    return np.where(inner, whole, np.nan)


@dataclass(frozen=True)
class _Data:
    """Mean position, height and point count of each usable cell, and the noise of one point."""

    filled: Mask
    x: Array
    y: Array
    z: Array
    count: Array
    noise_mm: float

    @classmethod
    def of(cls, points: Array, cells: Cells) -> _Data:
        usable = well_filled(cells)
        # medians of the heights above a smooth surface, so that a slope inside a cell does not
        # spread them; a median is not changed by outliers that cleaning has missed
        few = points[:: max(1, len(points) // MOST_FOR_GROUND)]
        spacing = cells.step_mm * np.sqrt(float((cells.count > 0).sum()) / len(few))
        ground = smooth_sheet(few, spacing, max(4.0 * spacing, 5.0)).spline
        rest = points[:, 2] - ground(points[:, 0], points[:, 1])
        # at the mean position of the cell's points, since cells at the rim are partly empty
        place = np.column_stack([cells.means(points[:, i])[usable] for i in (0, 1)])
        z = ground(place[:, 0], place[:, 1]) + cells.medians(rest)[usable]
        return cls(usable, place[:, 0], place[:, 1], z, cells.count[usable].astype(float),
                   SIGMA_PER_MAD * float(np.median(np.abs(rest))))


@dataclass(frozen=True)
class _Problem:
    """Data on the chart, divided by the scan's length, with knots and penalty."""

    chart: Chart
    scale: float
    s: Array
    t: Array
    z: Array
    weight: Array
    knots: tuple[Array, Array]
    rough: Array
    middle: Array
    half: Array

    @classmethod
    def of(cls, data: _Data, chart: Chart, size: float, spacing: float) -> _Problem:
        s, t = (v / size for v in chart.of(data.x, data.y))
        knots_s = open_knots(np.linspace(s.min(), s.max(), knot_count(s) + 1))
        lines = [k / size for k in chart.lines_mm]
        knots_t = open_knots(graded_breaks(float(t.min()), float(t.max()), lines,
                                     max(1.2, 1.5 * spacing) / size))
        # the weight of a cell is its number of points, but at most 10
        weight = np.minimum(data.count, 10.0)
        rough = penalty(knots_s, knots_t, 3, graded=True)
        ends = np.array([[s.min(), t.min()], [s.max(), t.max()]])
        return cls(chart, size, s, t, data.z / size, weight / weight.sum(), (knots_s, knots_t),
                   rough, ends.mean(axis=0), 0.5 * np.ptp(ends, axis=0))

    def fit(self, robust: Array, model: tuple[int, float]) -> tuple[Surface, Array]:
        """Surface of a model with robust weights, and its residuals at the cells [mm]."""
        degree, stiffness = model
        u, v = (self.s - self.middle[0]) / self.half[0], (self.t - self.middle[1]) / self.half[1]
        i, j = np.divmod(np.arange((degree + 1) ** 2), degree + 1)
        # the penalty of third order leaves s^i t^j with i, j <= 2 free in the spline already
        used = (i + j <= degree) & (np.maximum(i, j) > 2)
        more = legvander2d(u, v, [degree, degree])[:, used]
        normal = equations(self.s, self.t, self.z, self.weight * robust, *self.knots, more)
        spline, some = normal.solve_both(self.rough, stiffness)
        legendre = np.zeros((degree + 1) ** 2)
        legendre[used] = some
        surface = Surface(spline, legendre.reshape(degree + 1, -1), self.middle, self.half)
        return surface, (self.z - spline(self.s, self.t) - more @ some) * self.scale

    def solve(self, cells: Cells, data: _Data) -> Reference:
        """Try the models by increasing flexibility; return the simplest good one."""
        tried: list[_Try] = []
        every = np.ones(len(self.z), dtype=bool)
        rim = outer_part(data.filled)[data.filled]
        # start with the rim only: damage is rarely there, and a wide crown could have more cells
        # than the undamaged rest; then start with all cells
        for model, start in ((m, s) for m in MODELS for s in (rim, every)):
            tried.append(self._try(model, start, cells, data))
            if tried[-1].good:
                break
        chosen = tried[-1] if tried[-1].good else min(tried, key=lambda one: one.blame)
        # the noise may hide a little of the shape: take a higher degree if it is clearly better
        for model in MODELS[MODELS.index(chosen.model) + 1:] if chosen.good else ():
            if model[1] == STIFF_WEIGHT:
                more = self._try(model, rim, cells, data)
                chosen = more if more.good and more.beats(chosen) else chosen
        deviation = np.full(cells.shape, np.nan)
        deviation[data.filled] = chosen.rest
        return Reference(self.chart, chosen.surface, self.scale, cells, deviation, chosen.damage,
                         chosen.rms_mm, data.noise_mm, chosen.floor_mm, chosen.damage_share,
                         chosen.rim_share, chosen.good, chosen.model)

    def _try(self, model: tuple[int, float], start: Mask, cells: Cells, data: _Data) -> _Try:
        """Fit one model: first with Tukey's weights, then with the damage left out.

        ``start``: the cells that are used at first.
        """
        robust = start.astype(float)
        for _ in range(15):
            surface, rest = self.fit(robust, model)
            size = SIGMA_PER_MAD * float(np.median(np.abs(rest[start])))
            before, robust = robust, start * tukey(rest, TUKEY_CONSTANT * max(size, 1e-4))
            if np.abs(robust - before).mean() < 1e-3:
                break
        outside: Mask = np.asarray(robust > 0.5)
        size *= FIRST_SCALE_FACTOR
        for _ in range(ROBUST_ITERATIONS):
            grid = np.full(cells.shape, np.nan)
            grid[data.filled] = rest
            floor = noise_of_cells(grid)
            # lower the damage limit slowly from the residual to the noise; at once, the rim would
            # count as damage while the fit still follows the dent
            size = max(floor, SCALE_REDUCTION * size)
            damage = damage_of(grid, size)
            last, outside = outside, ~damage[data.filled]
            if outside.sum() < LEAST_OUTSIDE * outside.size:
                break
            robust = np.where(outside, tukey(rest, 8.0 * size), 0.0)
            surface, rest = self.fit(robust, model)
            if size == floor and (outside != last).mean() < 0.002:
                break
        kept = rest[outside & (robust > 0.0)]
        return _Try(model, surface, rest, np.where(outside, robust, 0.0), damage, floor,
                    float(np.sqrt(np.mean(kept**2))) if kept.size else np.inf,
                    float((~outside).mean()), rim_share(damage, data.filled))


@dataclass(frozen=True)
class _Try:
    """One fit: surface, residuals and weights of the cells, damage and its shares."""

    model: tuple[int, float]
    surface: Surface
    rest: Array
    weight: Array
    damage: Mask
    floor_mm: float
    rms_mm: float
    damage_share: float
    rim_share: float

    @property
    def good(self) -> bool:
        """Whether the residual is noise only and the damage has undamaged surroundings."""
        return (self.rms_mm <= AS_GOOD * self.floor_mm and self.damage_share <= MOST_DAMAGE
                and self.rim_share <= MOST_RIM)

    def beats(self, other: _Try) -> bool:
        """Whether its residual is clearly smaller where both find no damage, its damage not."""
        same = (self.weight > 0.0) & (other.weight > 0.0)
        here, there = (float(np.mean(one.rest[same] ** 2)) for one in (self, other))
        return here < CLEARLY_LESS**2 * there and self.damage_share > 0.85 * other.damage_share

    @property
    def blame(self) -> float:
        """Measure by which fits are compared if none is good; the smallest is taken."""
        return self.damage_share + self.rim_share


def outer_part(filled_cells: Mask) -> Mask:
    """(nx, ny) the cells nearest to the rim of the scan, `RIM_PART` of them."""
    whole = ndimage.binary_fill_holes(np.pad(filled_cells, 1))
    depth = ndimage.distance_transform_edt(whole)[1:-1, 1:-1]
    return np.asarray(filled_cells & (depth <= np.quantile(depth[filled_cells], RIM_PART)))


def well_filled(cells: Cells) -> Mask:
    """(nx, ny) cells with at least a quarter of the median number of points.

    The others are partly outside the scan, or hold stray points only.
    """
    return cells.count >= max(1.0, 0.25 * float(np.median(cells.count[cells.count > 0])))


def noise_of_cells(deviation: Array) -> float:
    """Noise of single cells [mm], from the difference between the grid and its 3 x 3 median."""
    # 1.15: for normal noise the difference to a 3 x 3 median, which contains the cell itself, has
    # 1 / 1.15 of the standard deviation of the noise (computed with random numbers)
    rough = deviation - ndimage.median_filter(filled(deviation), 3)
    return max(1.15 * SIGMA_PER_MAD * float(np.nanmedian(np.abs(rough))), 5e-4)


def rim_share(damage: Mask, filled_cells: Mask) -> float:
    """Share of the scan's rim, one cell wide, that is damage."""
    whole = ndimage.binary_closing(np.pad(filled_cells, 3), np.ones((5, 5)))[3:-3, 3:-3]
    rim = whole & ~ndimage.binary_erosion(whole, np.ones((3, 3)))
    return float(damage[rim].mean()) if rim.any() else 1.0


def damage_of(deviation: Array, sigma: float) -> Mask:
    """(nx, ny) damaged cells of a grid of deviations (NaN: no value), with a margin of two cells.

    ``sigma``: noise of a single cell. Connected pieces where the 5 x 5 median of the deviation
    exceeds `GROW_SIGMAS` sigma and its 3 x 3 median exceeds `SEED_SIGMAS` sigma somewhere.
    """
    whole = filled(deviation)
    smooth = np.abs(ndimage.median_filter(whole, 3))
    grown = np.abs(ndimage.median_filter(whole, 5)) > max(
        GROW_SIGMAS * sigma, 0.15 * SMALLEST_DAMAGE_MM)
    grown |= smooth > max(SEED_SIGMAS * sigma, SMALLEST_DAMAGE_MM)
    labels, number = ndimage.label(grown, np.ones((3, 3)))
    seeds = np.unique(labels[smooth > max(SEED_SIGMAS * sigma, SMALLEST_DAMAGE_MM)])
    keep = np.zeros(number + 1, dtype=bool)
    keep[seeds] = True
    keep &= np.bincount(labels.ravel(), minlength=number + 1) >= LEAST_CELLS
    keep[0] = False
    return np.asarray(ndimage.binary_dilation(keep[labels], np.ones((3, 3)), iterations=2))
