"""The undamaged panel: a smooth surface fitted to what lies outside the damage.

The surface is a polynomial plus a bicubic spline with a penalty of third order over the chart of
the feature lines; the spline's knots are fine at the lines. Models from plain to supple are tried:
polynomials of degree 2 to 6 with a stiff spline, then softer splines. For each, Tukey's weights
(Beaton and Tukey 1974: MEMORY) find the dent, then everything beyond the noise counts as damage and
is left out, until nothing changes. Taken is the plainest model that leaves noise only, and damage
with surroundings: a supple one could follow a dent.
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
"""Degree of the polynomial and weight of the spline's penalty, from plain to supple."""
AS_GOOD, CLEARLY_LESS = 1.4, 0.99
RIM_PART = 0.3
MOST_DAMAGE, MOST_RIM = 0.7, 0.3
"""Shares of a scan and of its rim that damage may take for the reference to be believed."""
ROBUST_ITERATIONS, FIRST_SCALE_FACTOR, SCALE_REDUCTION = 30, 3.0, 0.75
LEAST_OUTSIDE = 0.25
TUKEY_CONSTANT = 4.685
MOST_CELLS = 40_000
MOST_FOR_GROUND = 200_000
SEED_SIGMAS, GROW_SIGMAS = 5.0, 1.0
LEAST_CELLS = 6
SMALLEST_DAMAGE_MM = 0.08
"""A mark below this is not taken for damage: half of what can be felt (common practice, no
source)."""


@dataclass(frozen=True)
class Reference:
    """The undamaged surface z = f(x, y) in a scan's frame, and what of it is known.

    Attributes
    ----------
    chart, surface, scale_mm : f(x, y) = scale * surface(chart(x, y) / scale).
    cells : cells on which it was fitted; deviation (nx, ny) of them from it, NaN where empty.
    damage : (nx, ny) where the deviation is damage, with its surroundings.
    rms_mm : rms deviation of the cells outside the damage.
    noise_mm : standard deviation of one point about its cell's surface.
    floor_mm : noise of one cell; damage_share, rim_share : of the scan and its rim, damaged.
    good : whether it leaves noise only, and damage with surroundings.
    model : the degree of the polynomial and the stiffness chosen.
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
    """Undamaged surface behind the points (n, 3) of a clean sheet in its frame."""
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
    """Heights with single empty cells filled, so that lines do not break at them, and no rim.

    Cells at the rim are half empty: their medians stand beside their middles.
    """
    near = ndimage.generic_filter(np.isfinite(heights).astype(float), np.mean, 3, mode="constant")
    whole = np.where(np.isfinite(heights) | (near < 0.5), heights, filled(heights))
    inner = ndimage.binary_erosion(np.isfinite(whole), np.ones((3, 3)), border_value=0)
    return np.where(inner, whole, np.nan)


@dataclass(frozen=True)
class _Data:
    """Mean place, height and number of points of each filled cell, and one point's noise."""

    filled: Mask
    x: Array
    y: Array
    z: Array
    count: Array
    noise_mm: float

    @classmethod
    def of(cls, points: Array, cells: Cells) -> _Data:
        usable = well_filled(cells)
        # Heights over a smooth ground, so that a slope inside a cell does not spread them; the
        # median forgets the outliers that cleaning has missed.
        few = points[:: max(1, len(points) // MOST_FOR_GROUND)]
        spacing = cells.step_mm * np.sqrt(float((cells.count > 0).sum()) / len(few))
        ground = smooth_sheet(few, spacing, max(4.0 * spacing, 5.0)).spline
        rest = points[:, 2] - ground(points[:, 0], points[:, 1])
        # At the mean place of its points: cells at the rim are filled in part only.
        place = np.column_stack([cells.means(points[:, i])[usable] for i in (0, 1)])
        z = ground(place[:, 0], place[:, 1]) + cells.medians(rest)[usable]
        return cls(usable, place[:, 0], place[:, 1], z, cells.count[usable].astype(float),
                   SIGMA_PER_MAD * float(np.median(np.abs(rest))))


@dataclass(frozen=True)
class _Problem:
    """Data on the chart, scaled to the scan's length, with knots and penalty."""

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
        # A cell's mean is better the more points it has, but never better than a tenth of one.
        weight = np.minimum(data.count, 10.0)
        rough = penalty(knots_s, knots_t, 3, graded=True)
        ends = np.array([[s.min(), t.min()], [s.max(), t.max()]])
        return cls(chart, size, s, t, data.z / size, weight / weight.sum(), (knots_s, knots_t),
                   rough, ends.mean(axis=0), 0.5 * np.ptp(ends, axis=0))

    def fit(self, robust: Array, model: tuple[int, float]) -> tuple[Surface, Array]:
        """Surface of a model with robust weights, and what it leaves at the cells [mm]."""
        degree, stiffness = model
        u, v = (self.s - self.middle[0]) / self.half[0], (self.t - self.middle[1]) / self.half[1]
        i, j = np.divmod(np.arange((degree + 1) ** 2), degree + 1)
        # Up to degree 2 in either direction the spline is free by itself.
        used = (i + j <= degree) & (np.maximum(i, j) > 2)
        more = legvander2d(u, v, [degree, degree])[:, used]
        normal = equations(self.s, self.t, self.z, self.weight * robust, *self.knots, more)
        spline, some = normal.solve_both(self.rough, stiffness)
        legendre = np.zeros((degree + 1) ** 2)
        legendre[used] = some
        surface = Surface(spline, legendre.reshape(degree + 1, -1), self.middle, self.half)
        return surface, (self.z - spline(self.s, self.t) - more @ some) * self.scale

    def solve(self, cells: Cells, data: _Data) -> Reference:
        """Plain to supple; the plainest that leaves noise, and damage with surroundings."""
        tried: list[_Try] = []
        every = np.ones(len(self.z), dtype=bool)
        rim = outer_part(data.filled)[data.filled]
        # First as if only the rim were sound: damage is rarely there, and a wide crown could
        # outvote what is left of the panel.
        for model, start in ((m, s) for m in MODELS for s in (rim, every)):
            tried.append(self._try(model, start, cells, data))
            if tried[-1].good:
                break
        chosen = tried[-1] if tried[-1].good else min(tried, key=lambda one: one.blame)
        # A plain model may hide a little of the panel's form in the noise: the polynomials after it
        # may show that.
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
        """One model: Tukey's weights find the dent, then the damage grows until it is whole.

        ``start``: the cells that count to begin with.
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
            # From what the misfit is down to the noise: a fit too stiff ends all in damage. Slowly,
            # or the rim is taken for damage before the fit has let go of the dent.
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
    """One fit: its surface, what is left, weights of the cells, the damage and its shares."""

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
        """Whether it leaves noise only, and damage with surroundings."""
        return (self.rms_mm <= AS_GOOD * self.floor_mm and self.damage_share <= MOST_DAMAGE
                and self.rim_share <= MOST_RIM)

    def beats(self, other: _Try) -> bool:
        """Whether it leaves clearly less where both see no damage, and does not hide damage."""
        same = (self.weight > 0.0) & (other.weight > 0.0)
        here, there = (float(np.mean(one.rest[same] ** 2)) for one in (self, other))
        return here < CLEARLY_LESS**2 * there and self.damage_share > 0.85 * other.damage_share

    @property
    def blame(self) -> float:
        """The larger, the less it is to be believed."""
        return self.damage_share + self.rim_share


def outer_part(filled_cells: Mask) -> Mask:
    """(nx, ny) the cells nearest to the rim of the scan, `RIM_PART` of them."""
    whole = ndimage.binary_fill_holes(np.pad(filled_cells, 1))
    depth = ndimage.distance_transform_edt(whole)[1:-1, 1:-1]
    return np.asarray(filled_cells & (depth <= np.quantile(depth[filled_cells], RIM_PART)))


def well_filled(cells: Cells) -> Mask:
    """(nx, ny) cells with a quarter of the usual number of points at least.

    The others stand half beside the scan, or hold nothing but strays.
    """
    return cells.count >= max(1.0, 0.25 * float(np.median(cells.count[cells.count > 0])))


def noise_of_cells(deviation: Array) -> float:
    """Noise of single cells [mm]: what a 3 x 3 median takes off the grid of deviations."""
    rough = deviation - ndimage.median_filter(filled(deviation), 3)
    return max(1.15 * SIGMA_PER_MAD * float(np.nanmedian(np.abs(rough))), 5e-4)


def rim_share(damage: Mask, filled_cells: Mask) -> float:
    """Share of the scan's rim, one cell wide, that is damage."""
    whole = ndimage.binary_closing(np.pad(filled_cells, 3), np.ones((5, 5)))[3:-3, 3:-3]
    rim = whole & ~ndimage.binary_erosion(whole, np.ones((3, 3)))
    return float(damage[rim].mean()) if rim.any() else 1.0


def damage_of(deviation: Array, sigma: float) -> Mask:
    """(nx, ny) where a grid of deviations (NaN: none) shows damage, with its surroundings.

    Pieces where the deviation passes `GROW_SIGMAS` of ``sigma``, the noise of a single cell, as a
    median of 5 x 5 cells, and somewhere `SEED_SIGMAS` as one of 3 x 3; widened by two cells.
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
