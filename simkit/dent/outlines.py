"""Outlines drawn on the panel: the top of a crown or the bottom of a crease, with heights.

An outline is a polyline of places with a height each. Between them a monotone cubic (PCHIP) gives
the height against the length along the line; it is monotone between two places, so that it adds no
false extremum.

A crease adds functions to the smooth spline. The spline alone would round the crease off and would
not continue it between two sections. With s along its line and v across it, signed,

    b_kj(x) = S_k(s) m_j(v) w(v / W)     m_0(v) = (a - sqrt(v^2 + a^2)) / W

m_1, m_2, .. are bumps over (-W, W), w falls smoothly from 1 to 0; S_k are cubic B-splines along the
line, zero at its ends, mixed by a matrix root so that heights at a distance L are still correlated.
A term c b_k0 changes the slope across the crease by 2 c / W within the width a: its radius at the
bottom is a W / c. So the radius given sets how sharp the crease is; the readings set the slopes of
its flanks.
Formulas: our own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.spatial import cKDTree

from simkit.dent.field import Array
from simkit.dent.hull import smooth_step
from simkit.errors import InputError

ASSUMED_RADIUS_MM = 8.0
"""Radius at the bottom of a crease without a measured radius: an assumption, no source."""
MOST_PLACES = 120
OUTLINE_POINTS = 4000
BUMPS_PER_SIDE = 6
KINK_WEIGHT = 4.0
"""BUMPS_PER_SIDE: bumps on either side of a crease; KINK_WEIGHT: weight of the kink over that of a
bump, in the kernel its square."""


@dataclass(frozen=True)
class Outline:
    """A line drawn on the panel with its heights.

    Attributes
    ----------
    kind : "crown" (top of a raised rim; the panel is smooth across it) or "crease" (it is not).
    xy_mm : (m, 2) places in order; d_mm : (m,) deviation there.
    closed : whether the line runs back to its start.
    radius_mm : radius across the bottom of a crease; ``None`` assumes `ASSUMED_RADIUS_MM`.
    """

    kind: Literal["crown", "crease"]
    xy_mm: Array
    d_mm: Array
    closed: bool = False
    radius_mm: float | None = None


def check_outline(outline: Outline, key: str) -> None:
    """Raise `InputError` for a line too short to be one, or with a place given twice."""
    least = 4 if outline.closed else 2
    if len(outline.d_mm) < least:
        sort = "a closed outline" if outline.closed else "an outline"
        raise InputError(f"{len(outline.d_mm)} places", f"at least {least} in {sort}", key=key)
    steps = np.hypot(*np.diff(outline.xy_mm, axis=0).T)
    if steps.min() < 0.1:
        at = int(np.argmin(steps))
        raise InputError(f"places {at} and {at + 1} are {steps[at]:.2g} mm apart",
                         "places at least 0.1 mm apart, the first one not repeated at the end",
                         key=key)


def length_of(xy: Array) -> Array:
    """(m,) length [mm] run along a polyline (m, 2) up to each of its places."""
    return np.concatenate([[0.0], np.hypot(*np.diff(xy, axis=0).T).cumsum()])


def readings_along(outline: Outline, spacing_mm: float) -> tuple[Array, Array]:
    """Places (k, 2) and deviations (k,) about ``spacing_mm`` apart along an outline."""
    xy, d = outline.xy_mm, outline.d_mm
    if outline.closed:
        # One place more at either end: the height is then as smooth over the seam as elsewhere.
        xy, d = (np.concatenate([v[-2:], v, v[:3]]) for v in (xy, d))
    s = length_of(xy)
    start, end = (s[2], s[-3]) if outline.closed else (s[0], s[-1])
    count = int(np.clip(np.ceil((end - start) / spacing_mm), 2, MOST_PLACES))
    at = np.linspace(start, end, count + 1)
    if outline.closed:
        at = at[:-1]
    else:
        at = np.union1d(at, s)
    places = np.column_stack([np.interp(at, s, xy[:, i]) for i in range(2)])
    return places, np.asarray(PchipInterpolator(s, d)(at))


@dataclass(frozen=True)
class Ridge:
    """Functions along one crease (module docstring).

    ``line_mm`` (m, 2), its first place repeated at the end if ``closed``; ``width_mm`` W,
    ``rounding_mm`` a, ``alike_mm`` L, ``count`` of B-splines along it.
    """

    line_mm: Array
    closed: bool
    width_mm: float
    rounding_mm: float
    alike_mm: float
    count: int

    def __call__(self, xy: Array) -> Array:
        """(n, k) values of the functions at places (n, 2) [mm], the kinks first."""
        s, v = along_and_across(self.line_mm, xy)
        window = (1.0 - smooth_step(np.abs(v) / self.width_mm))[:, None]
        kink = (self.rounding_mm - np.hypot(v, self.rounding_mm)) / self.width_mm
        bumps = _bump(BUMPS_PER_SIDE * (v / self.width_mm)[:, None]
                      - np.arange(1 - BUMPS_PER_SIDE, BUMPS_PER_SIDE))
        across = np.column_stack([KINK_WEIGHT * kink, bumps]) * window
        along = self._along(s)
        return (across[:, :, None] * along[:, None, :]).reshape(len(xy), -1)

    def _along(self, s: Array) -> Array:
        """(n, count) functions S_k of the length s (n,)."""
        total = float(length_of(self.line_mm)[-1])
        nodes = np.arange(self.count)
        if self.closed:
            step = total / self.count
            away = np.abs(s[:, None] / step - nodes)
            away = np.minimum(away, self.count - away)
            apart = np.abs(nodes[:, None] - nodes)
            apart = np.minimum(apart, self.count - apart) * step
        else:
            step = total / (self.count + 3)
            away = np.abs(s[:, None] / step - nodes - 2.0)
            apart = np.abs(nodes[:, None] - nodes) * step
        # Matern covariance (1 + r/L) exp(-r/L), smoothness 3/2; its root mixes independent
        # B-splines so that heights along the crease have this correlation.
        far = apart / self.alike_mm
        return np.asarray(_bump(away) @ root_of((1.0 + far) * np.exp(-far)))

    def stations(self, count: int) -> tuple[Array, Array]:
        """Places (count, 2) along the line, ends left out, and unit vectors across it there."""
        s = length_of(self.line_mm)
        at = np.linspace(0.0, s[-1], count + 2)[1:-1]
        xy = np.column_stack([np.interp(at, s, self.line_mm[:, i]) for i in range(2)])
        side = np.clip(np.searchsorted(s, at, side="right") - 1, 0, len(s) - 2)
        way = np.diff(self.line_mm, axis=0)[side]
        way /= np.hypot(*way.T)[:, None]
        return xy, np.column_stack([-way[:, 1], way[:, 0]])


def root_of(alike: Array) -> Array:
    """Lower triangle L with L L^T equal to a symmetric matrix (n, n).

    If the matrix is not positive definite, the nearest such matrix is taken: negative eigenvalues
    become zero (Higham 1988, Linear Algebra Appl. 103, 103-118, theorem 2.1; MEMORY). This occurs
    on closed lines: a covariance that is positive definite on a line need not be so on a short
    ring.
    """
    small = 1e-9 * np.eye(len(alike))
    try:
        return np.asarray(np.linalg.cholesky(alike + small))
    except np.linalg.LinAlgError:
        values, ways = np.linalg.eigh(alike)
        nearest = (ways * np.maximum(values, 0.0)) @ ways.T
        return np.asarray(np.linalg.cholesky(0.5 * (nearest + nearest.T) + small))


def _bump(t: Array) -> Array:
    """Cubic B-spline with its support on |t| < 2, 2/3 at 0."""
    t = np.abs(t)
    inner = 2.0 / 3.0 - t**2 + 0.5 * t**3
    return np.where(t < 1.0, inner, np.clip(2.0 - t, 0.0, None) ** 3 / 6.0)


def ridge_of(outline: Outline, width_mm: float, spacing_mm: float, alike_mm: float) -> Ridge:
    """Functions along a crease: about one B-spline every ``spacing_mm``, rounded by 1 mm."""
    line = np.vstack([outline.xy_mm, outline.xy_mm[:1]]) if outline.closed else outline.xy_mm
    count = int(np.clip(round(float(length_of(line)[-1]) / spacing_mm), 4, 24))
    return Ridge(line, outline.closed, width_mm, 1.0, alike_mm, count)


def ridge_values(ridges: Sequence[Ridge], xy: Array) -> Array:
    """(n, k) values of the functions of all ridges at places (n, 2) [mm]."""
    if not ridges:
        return np.zeros((len(xy), 0))
    return np.hstack([ridge(xy) for ridge in ridges])


def along_and_across(line: Array, xy: Array) -> tuple[Array, Array]:
    """Length s along a polyline at the nearest point of it, and the distance v from it, positive
    to its left [mm].

    Exact on the nearest of the sides that touch the nearest of a dense row of points.
    """
    s_corner = length_of(line)
    at = np.linspace(0.0, s_corner[-1], min(OUTLINE_POINTS, 40 * len(line)))
    dense = np.column_stack([np.interp(at, s_corner, line[:, i]) for i in range(2)])
    near = np.searchsorted(s_corner, at[cKDTree(dense).query(xy)[1]], side="right") - 1
    best_s, best_v = np.zeros(len(xy)), np.full(len(xy), np.inf)
    for shift in (-1, 0, 1):
        side = np.clip(near + shift, 0, len(line) - 2)
        way = line[side + 1] - line[side]
        share = np.clip(((xy - line[side]) * way).sum(axis=1) / (way**2).sum(axis=1), 0.0, 1.0)
        off = xy - line[side] - share[:, None] * way
        # Sign of the cross product way x off: positive if the place is to the left.
        left = np.where(way[:, 0] * off[:, 1] - way[:, 1] * off[:, 0] < 0.0, -1.0, 1.0)
        v = left * np.hypot(*off.T)
        better = np.abs(v) < np.abs(best_v)
        best_s[better] = (s_corner[side] + share * np.hypot(*way.T))[better]
        best_v[better] = v[better]
    return best_s, best_v
