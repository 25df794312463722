"""Further described shapes: a high, a crease along a line, a kink of the panel's edge.

With g(s) = (1 - s)^3, 0 beyond s = 1, which touches zero at the rim with two zero derivatives:

    high         d = +height g(s), s = (2u/length)^2 + (2v/width)^2
    crease line  d = -depth g(s),  s = (2a/L - 1)^4 + (sqrt(v^2 + r^2) - r)/(sqrt(h^2 + r^2) - r)
    kink         half of a straight crease whose middle lies on the edge

with v the distance to a smooth curve through the line's places, a the length along it up to the
nearest point, L its whole length, h = width/2, and r from the radius at the bottom as in
`simkit.dent.shapes`. Formulas: our own.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import CubicSpline, PchipInterpolator
from scipy.spatial import cKDTree

from simkit.dent.field import LARGEST_REASONABLE_DEPTH_MM, Array, Extent
from simkit.dent.shapes import Bowl, Crease, check_shape, depth_of, reach_of
from simkit.errors import InputError

BLUNT_RADIUS_SHARE = 0.25
"""Radius at the bottom of a crease without one, over that of a bowl as wide and deep."""
STEP_SHARE = 0.005
"""Spacing of the points that represent a crease's curve, over the crease's width."""


@dataclass(frozen=True)
class High:
    """A round or long high, pushed out from inside; lengths in mm, as of `Bowl`."""

    x_mm: float
    y_mm: float
    height_mm: float
    length_mm: float
    width_mm: float
    angle_deg: float = 0.0

    @property
    def _mirrored(self) -> Bowl:
        return Bowl(self.x_mm, self.y_mm, self.height_mm, self.length_mm, self.width_mm,
                    self.angle_deg)

    def __call__(self, x: Array, y: Array) -> Array:
        """Deviation d [mm] at x, y [mm]."""
        return -depth_of(self._mirrored, x, y)

    def places(self) -> Array:
        """(n, 2) places that must lie on the panel."""
        return np.array([[self.x_mm, self.y_mm]])

    def reach(self) -> Extent:
        """Rectangle outside which the deviation of the shape is negligible."""
        return reach_of(self._mirrored)

    def check(self, key: str) -> None:
        """Raise `InputError` if a number is outside its plausible range."""
        try:
            check_shape(self._mirrored, key)
        except InputError as error:
            error.key = (error.key or key).replace("depth_mm", "height_mm")
            raise


@dataclass(frozen=True)
class Kink:
    """The panel's edge bent in: deepest at the edge, where (x_mm, y_mm) lies on it.

    ``width_mm`` along the edge, ``reach_mm`` into the panel towards ``angle_deg`` (from the x axis,
    counter-clockwise), ``depth_mm`` at the edge, ``radius_mm`` at its bottom (None as of `Crease`).
    """

    x_mm: float
    y_mm: float
    depth_mm: float
    width_mm: float
    reach_mm: float
    angle_deg: float
    radius_mm: float | None = None

    @property
    def _crease(self) -> Crease:
        return Crease(self.x_mm, self.y_mm, self.depth_mm, 2.0 * self.reach_mm, self.width_mm,
                      self.angle_deg, 0.0, self.radius_mm)

    def __call__(self, x: Array, y: Array) -> Array:
        """Deviation d [mm] at x, y [mm]."""
        return depth_of(self._crease, x, y)

    def places(self) -> Array:
        """(n, 2) places that must lie on the panel."""
        return np.array([[self.x_mm, self.y_mm]])

    def reach(self) -> Extent:
        """Rectangle outside which the deviation of the shape is negligible."""
        return reach_of(self._crease)

    def check(self, key: str) -> None:
        """Raise `InputError` if a number is outside its plausible range."""
        try:
            check_shape(self._crease, key)
        except InputError as error:
            error.key = (error.key or key).replace("length_mm", "reach_mm")
            raise


@dataclass(frozen=True)
class CreaseLine:
    """A crease along a line through places (n, 2) [mm]; other fields as of `Crease`."""

    line_mm: tuple[tuple[float, float], ...]
    depth_mm: float
    width_mm: float
    radius_mm: float | None = None

    @cached_property
    def curve(self) -> tuple[cKDTree, Array, float]:
        """Points along the smooth curve as a tree, the length up to each, the whole length."""
        corners = np.array(self.line_mm, dtype=float)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
        step = STEP_SHARE * self.width_mm
        at = np.linspace(0.0, along[-1], max(2, int(np.ceil(along[-1] / step)) + 1))
        # The parameter is the chord length; through two or three places PCHIP cannot overshoot.
        smooth = CubicSpline if len(corners) > 3 else PchipInterpolator
        points = np.stack([smooth(along, corners[:, k])(at) for k in (0, 1)], axis=1)
        length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        return cKDTree(points), length, float(length[-1])

    def __call__(self, x: Array, y: Array) -> Array:
        """Deviation d [mm] at x, y [mm]."""
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        tree, along, whole = self.curve
        distance, nearest = tree.query(np.stack([x.ravel(), y.ravel()], axis=1))
        half = 0.5 * self.width_mm
        radius = self.radius_mm or BLUNT_RADIUS_SHARE * half**2 / (6.0 * self.depth_mm)
        q = 3.0 * radius * self.depth_mm
        r = q / np.sqrt(half**2 - 2.0 * q)
        s = (2.0 * along[nearest] / whole - 1.0) ** 4
        s = s + (np.sqrt(distance**2 + r**2) - r) / (np.hypot(half, r) - r)
        return np.reshape(-self.depth_mm * np.clip(1.0 - s, 0.0, None) ** 3, x.shape)

    def places(self) -> Array:
        """(n, 2) places that must lie on the panel."""
        return np.array(self.line_mm, dtype=float)

    def reach(self) -> Extent:
        """Rectangle outside which the deviation of the shape is negligible."""
        points, half = self.curve[0].data, 0.5 * self.width_mm
        (x0, y0), (x1, y1) = points.min(axis=0) - half, points.max(axis=0) + half
        return float(x0), float(x1), float(y0), float(y1)

    def check(self, key: str) -> None:
        """Raise `InputError` if a number is outside its plausible range."""
        corners = np.array(self.line_mm, dtype=float)
        if len(corners) < 2 or np.hypot(*np.diff(corners, axis=0).T).min() <= 0.0:
            raise InputError("a line that stays in its place",
                             "two or more different places in a row", key=f"{key}.line")
        largest = min(0.5 * self.width_mm, LARGEST_REASONABLE_DEPTH_MM)
        if not 0.0 < self.depth_mm <= largest:
            raise InputError(f"found {self.depth_mm:g}",
                             f"above 0 and at most {largest:g} mm, half of the width",
                             key=f"{key}.depth_mm")
        bluntest = 0.99 * (0.5 * self.width_mm) ** 2 / (6.0 * self.depth_mm)
        if self.radius_mm is not None and not 0.0 < self.radius_mm <= bluntest:
            raise InputError(
                f"found {self.radius_mm:g}",
                f"above 0 and less than {bluntest:.3g} mm for this width and depth",
                key=f"{key}.radius_mm")
