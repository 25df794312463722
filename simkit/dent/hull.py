"""The convex hull of readings: rings outside it, distances to it, a smooth step to zero."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from simkit.dent.field import Array


def anchor_distance(xy: Array) -> float:
    """Distance [mm] outside the hull where the panel counts as undamaged.

    Twice the median distance between neighbours, at least a tenth of the hull's diameter.
    """
    nearest = cKDTree(xy).query(xy, k=2)[0][:, 1]
    return max(2.0 * float(np.median(nearest)), 0.1 * float(np.hypot(*np.ptp(xy, axis=0))))


def ring_outside(hull: Array, distance: float, spacing: float) -> Array:
    """(k, 2) points at ``distance`` outside a convex polygon, about ``spacing`` apart."""
    sides = np.roll(hull, -1, axis=0) - hull
    # Outward normal of a counter-clockwise side (sx, sy) is (sy, -sx).
    angle = np.arctan2(-sides[:, 0], sides[:, 1])
    ring = []
    for k in range(len(hull)):
        # The parallel curve of a convex polygon has an arc at each corner.
        turn = (angle[k] - angle[k - 1]) % (2.0 * np.pi)
        arc = angle[k - 1] + np.linspace(0.0, turn, max(2, int(turn * distance / spacing) + 2))
        ring.append(hull[k] + distance * np.column_stack([np.cos(arc), np.sin(arc)]))
    corners = np.vstack(ring)
    # Points at equal lengths along the closed ring.
    gone = np.hypot(*np.diff(np.vstack([corners, corners[:1]]), axis=0).T).cumsum()
    start = np.concatenate([[0.0], gone])
    at = np.linspace(0.0, gone[-1], max(8, int(np.ceil(gone[-1] / spacing))), endpoint=False)
    closed = np.vstack([corners, corners[:1]])
    return np.column_stack([np.interp(at, start, closed[:, i]) for i in range(2)])


def distance_to_sides(xy: Array, hull: Array) -> Array:
    """Distance [mm] of points (n, 2) to the nearest side of a polygon (m, 2)."""
    sides = np.roll(hull, -1, axis=0) - hull
    best = np.full(len(xy), np.inf)
    for corner, side in zip(hull, sides, strict=True):
        along = np.clip((xy - corner) @ side / (side @ side), 0.0, 1.0)
        best = np.minimum(best, np.hypot(*(xy - corner - along[:, None] * side).T))
    return best


def distance_to_hull(xy: Array, hull: Array) -> Array:
    """Distance [mm] of points (n, 2) outside a convex counter-clockwise polygon; 0 inside."""
    sides = np.roll(hull, -1, axis=0) - hull
    out = np.zeros(len(xy), dtype=bool)
    for corner, side in zip(hull, sides, strict=True):
        to = xy - corner
        # Cross product side x to < 0: right of a side, hence outside.
        out |= side[0] * to[:, 1] - side[1] * to[:, 0] < 0.0
    distance = np.zeros(len(xy))
    distance[out] = distance_to_sides(xy[out], hull)
    return distance


def smooth_step(t: Array) -> Array:
    """0 for t <= 0, 1 for t >= 1, with two zero derivatives at both ends."""
    t = np.clip(t, 0.0, 1.0)
    return t**3 * (10.0 - 15.0 * t + 6.0 * t**2)
