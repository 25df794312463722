"""Feature lines: lines across the whole scan along which the surface normal turns.

For many directions the second difference of the heights across lines in that direction is taken.
Its median over a whole line is large on a feature line; a dent covers only a part of any line and
hardly changes the median. A feature line may be curved: it is traced from cell to cell, and a
parabola is fitted to it. Only lines nearly parallel to the strongest one are found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Array = NDArray[np.float64]
ANGLES_TRIED = 90
STANDS_OUT = 8.0
"""Smallest turn of a feature line over the standard deviation of all lines."""
SMALLEST_TURN = 0.02
"""Smallest turn of a feature line, rad."""
MOST_LINES = 3
COVERED_SHARE = 0.6
"""Smallest covered length of a line over the longest one."""


@dataclass(frozen=True)
class Chart:
    """Coordinates along and across feature lines.

    s = x cos a + y sin a; t = -x sin a + y cos a - (c0 + c1 s + c2 s^2); the lines are t = const.

    ``angle_rad`` a; ``bend`` (3,) c0, c1, c2; ``lines_mm`` t of the feature lines; ``turns_rad``
    angle by which the normal turns across each.
    """

    angle_rad: float = 0.0
    bend: tuple[float, float, float] = (0.0, 0.0, 0.0)
    lines_mm: tuple[float, ...] = ()
    turns_rad: tuple[float, ...] = ()

    def of(self, x: Array, y: Array) -> tuple[Array, Array]:
        """s, t of places x, y [mm]."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        along, across = x * c + y * s, -x * s + y * c
        return along, across - np.polyval(self.bend[::-1], along)

    def slopes(self, x: Array, y: Array, by_s: Array, by_t: Array) -> tuple[Array, Array]:
        """Derivatives by x and y of a function with the derivatives ``by_s`` and ``by_t``."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        along = x * c + y * s
        lean = self.bend[1] + 2.0 * self.bend[2] * along
        return by_s * c + by_t * (-s - lean * c), by_s * s + by_t * (c - lean * s)

    def line(self, k: int, s: Array) -> Array:
        """(n, 2) places x, y of the k-th feature line at lengths s (n,)."""
        t = self.lines_mm[k] + np.polyval(self.bend[::-1], s)
        c, n = np.cos(self.angle_rad), np.sin(self.angle_rad)
        return np.column_stack([s * c - t * n, s * n + t * c])


def find_feature_lines(heights: Array, step_mm: float, low_mm: Array, arm_mm: float) -> Chart:
    """Chart of the feature lines in a grid of heights (nx, ny), NaN where the scan has none.

    ``arm_mm``: half the base of the second difference; ``low_mm``: centre of the first cell.
    """
    found: list[tuple[float, float, float, float]] = []
    for angle in np.arange(ANGLES_TRIED) * np.pi / ANGLES_TRIED:
        turn, t, _ = _turns(heights, step_mm, low_mm, arm_mm, float(angle))
        middle = _along_lines(turn)
        if np.isfinite(middle).sum() < 5:
            continue
        usual = np.nanmedian(middle)
        size = 1.4826 * np.nanmedian(np.abs(middle - usual))
        k = int(np.nanargmax(np.abs(middle - usual)))
        height = float(abs(middle[k] - usual))
        found.append((height, height / max(size, 1e-4), float(angle), float(t[k])))
    good = [f for f in found if f[0] > SMALLEST_TURN and f[1] > STANDS_OUT]
    if not good:
        return Chart()
    _, _, angle, at = max(good)
    return _traced(heights, step_mm, low_mm, arm_mm, angle, at)


def _along_lines(turn: Array) -> Array:
    """Median of a grid of turns along each line (the first axis); NaN for short lines."""
    known = np.isfinite(turn)
    enough = known.sum(axis=0) >= max(6, COVERED_SHARE * known.sum(axis=0).max())
    middle = np.full(turn.shape[1], np.nan)
    middle[enough] = np.nanmedian(turn[:, enough], axis=0)
    return middle


def _turns(heights: Array, step: float, low: Array, arm: float, angle: float
           ) -> tuple[Array, Array, Array]:
    """Turn [rad] across lines at an angle, on a rotated grid (ns, nt); its t (nt,) and s (ns,)."""
    nx, ny = heights.shape
    corners = np.array([[low[0] + i * step, low[1] + j * step]
                        for i in (0, nx - 1) for j in (0, ny - 1)])
    c, n = np.cos(angle), np.sin(angle)
    s, t = corners @ np.array([c, n]), corners @ np.array([-n, c])
    s = np.arange(s.min(), s.max() + step, step)
    t = np.arange(t.min(), t.max() + step, step)
    ss, tt = np.meshgrid(s, t, indexing="ij")
    grid = [_sample(heights, step, low, ss * c - (tt + d) * n, ss * n + (tt + d) * c)
            for d in (-arm, 0.0, arm)]
    return (grid[0] - 2.0 * grid[1] + grid[2]) / arm, t, s


def _sample(heights: Array, step: float, low: Array, x: Array, y: Array) -> Array:
    """Bilinear interpolation of the heights; NaN outside the grid."""
    place = np.array([(x - low[0]) / step, (y - low[1]) / step])
    return np.asarray(ndimage.map_coordinates(heights, place, order=1, mode="constant",
                                              cval=np.nan))


def _traced(heights: Array, step: float, low: Array, arm: float, angle: float, at: float) -> Chart:
    """Trace the line near t = at, fit a parabola to it, and find all parallel feature lines."""
    bend = np.array([at, 0.0, 0.0])
    for reach in (4.0 * arm, 2.0 * arm):
        turn, t, s = _turns(heights, step, low, arm, angle)
        usual = np.nanmedian(turn)
        away = t[None, :] - np.polyval(bend[::-1], s)[:, None]
        strong = np.where((np.abs(away) < reach) & np.isfinite(turn), np.abs(turn - usual), 0.0)
        size = strong.max(axis=1)
        use = size > 0.3 * np.median(size[size > 0.0])
        weight = np.where(strong > 0.5 * size[:, None], strong, 0.0)
        middle = (weight * t).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-300)
        bend = _parabola(s[use], middle[use])
    chart = Chart(angle, (float(bend[0]), float(bend[1]), float(bend[2])), (0.0,), (0.0,))
    return _likes(heights, step, low, arm, chart)


def _parabola(s: Array, t: Array) -> Array:
    """Coefficients (3,) of a parabola fitted to points; points far from it are not used."""
    keep = np.ones(len(s), dtype=bool)
    for _ in range(6):
        fit = np.polynomial.polynomial.polyfit(s[keep], t[keep], 2)
        away = np.abs(t - np.polyval(fit[::-1], s))
        keep = away <= 3.0 * np.median(away[keep]) + 1e-6
    return np.asarray(fit)


def _likes(heights: Array, step: float, low: Array, arm: float, chart: Chart) -> Chart:
    """The chart with all lines parallel to the traced one across which the normal turns clearly."""
    nx, ny = heights.shape
    x, y = (low[i] + step * np.arange((nx, ny)[i]) for i in (0, 1))
    s, t = chart.of(*(v.ravel() for v in np.meshgrid(x, y, indexing="ij")))
    s = np.arange(s.min(), s.max() + step, step)
    t = np.arange(t.min(), t.max() + step, 0.5 * step)
    rows = []
    for shift in (-arm, 0.0, arm):
        one = [Chart(chart.angle_rad, chart.bend, (k + shift,)).line(0, s) for k in t]
        xy = np.array(one)
        rows.append(_sample(heights, step, low, xy[..., 0], xy[..., 1]))
    middle = _along_lines(((rows[0] - 2.0 * rows[1] + rows[2]) / arm).T)
    middle = middle - np.nanmedian(middle)
    size = 1.4826 * np.nanmedian(np.abs(middle))
    lines: list[tuple[float, float]] = []
    strength = np.nan_to_num(np.abs(middle))
    largest = strength.max()
    while len(lines) < MOST_LINES:
        k = int(np.argmax(strength))
        if strength[k] < max(SMALLEST_TURN, STANDS_OUT * size, 0.25 * largest):
            break
        lines.append((float(t[k]), float(middle[k])))
        strength = np.where(np.abs(t - t[k]) < 2.5 * arm, 0.0, strength)
    lines.sort()
    return Chart(chart.angle_rad, chart.bend, tuple(k for k, _ in lines),
                 tuple(turn for _, turn in lines))
