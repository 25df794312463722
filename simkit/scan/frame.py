"""The frame of a scan: its x, y plane fits the panel best, so that the panel is a height z(x, y).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

Array = NDArray[np.float64]
ON_A_LINE = 1e-9
"""Width over length, as root mean squares, below which points have no rectangle around them."""
MOST_FOR_LEVEL = 60_000


@dataclass(frozen=True)
class Frame:
    """Right-handed frame in a scan: ``origin_mm`` (3,) and unit ``axes`` (3, 3), one a row.

    x along the scan's longer side, y across, z outward.
    """

    origin_mm: Array
    axes: Array

    def of(self, points: Array) -> Array:
        """Points of the scan (n, 3) in this frame [mm]."""
        return np.asarray((points - self.origin_mm) @ self.axes.T)

    def back(self, points: Array) -> Array:
        """Points of this frame (n, 3) in the scan [mm]."""
        return np.asarray(points @ self.axes + self.origin_mm)

    def over(self) -> Frame:
        """The frame rotated by 180 degrees about its x axis: inside becomes outside."""
        return replace(self, axes=self.axes * np.array([[1.0], [-1.0], [-1.0]]))

    def turned(self, angle_rad: float) -> Frame:
        """The frame rotated about its z axis, counter-clockwise."""
        c, s = np.cos(angle_rad), np.sin(angle_rad)
        return replace(self, axes=np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
                       @ self.axes)


def level(points: Array, seed: int = 0) -> Frame:
    """Frame whose plane fits the points (n, 3) best, without outliers.

    Principal axes, computed five times; each time points farther from the plane than three times
    the median distance are left out. The sense of z is not decided here.
    """
    few = points
    if len(points) > MOST_FOR_LEVEL:
        few = points[np.random.default_rng(seed).choice(len(points), MOST_FOR_LEVEL, False)]
    few = few[_near_middle(few)]
    kept = few
    for _ in range(5):
        centre = kept.mean(axis=0)
        vectors = np.linalg.eigh(np.cov((kept - centre).T))[1]
        away = np.abs((few - centre) @ vectors[:, 0])
        kept = few[away <= 3.0 * np.median(away) + 1e-9]
    axes = np.array([vectors[:, 2], np.cross(vectors[:, 0], vectors[:, 2]), vectors[:, 0]])
    frame = Frame(centre, axes)
    return centred(frame.turned(long_side(frame.of(kept)[:, :2])), kept)


def centred(frame: Frame, points: Array) -> Frame:
    """The frame moved in its plane so that the points' middle is at x = y = 0."""
    inside = frame.of(points)
    middle = np.zeros(3)
    middle[:2] = 0.5 * (inside[:, :2].min(axis=0) + inside[:, :2].max(axis=0))
    middle[2] = np.median(inside[:, 2])
    return replace(frame, origin_mm=frame.back(middle[None, :])[0])


def _near_middle(points: Array) -> NDArray[np.bool_]:
    """Which points are within 6 times the scan's half-width (75 % of all points) of the median."""
    middle = np.median(points, axis=0)
    width = np.percentile(np.abs(points - middle), 75, axis=0) + 1e-12
    return np.asarray((np.abs(points - middle) <= 6.0 * width.max()).all(axis=1))


def long_side(xy: Array) -> float:
    """Angle [rad] from x of the longer side of the smallest rectangle around points (n, 2).

    In each direction 0.5 % of the points at either end are left out, as they may be outliers. One
    side of the smallest rectangle lies along an edge of the convex hull, so only these directions
    are tried. Points on one line give the angle of that line.
    """
    _, size, axes = np.linalg.svd(xy - xy.mean(axis=0), full_matrices=False)
    if size[1] <= ON_A_LINE * size[0]:
        return float((np.arctan2(axes[0, 1], axes[0, 0]) + 0.5 * np.pi) % np.pi - 0.5 * np.pi)
    hull = xy[ConvexHull(xy).vertices]
    best, angle = np.inf, 0.0
    for way in np.diff(np.vstack([hull, hull[:1]]), axis=0):
        turn = float(np.arctan2(way[1], way[0]))
        c, s = np.cos(turn), np.sin(turn)
        along, across = xy @ np.array([c, s]), xy @ np.array([-s, c])
        long, wide = (float(np.diff(np.percentile(v, [0.5, 99.5]))[0]) for v in (along, across))
        if long * wide < best:
            best, angle = long * wide, turn if long >= wide else turn + 0.5 * np.pi
    # the same direction as an angle between -90 and 90 degrees
    return float((angle + 0.5 * np.pi) % np.pi - 0.5 * np.pi)
