"""Creases: lines along which a depth field bends sharply across and hardly along.

The second derivatives of the deviation, smoothed over a little more than a grid step, give the
principal curvature k1 of larger magnitude, its direction e1, and the other one k2. A place belongs
to a crease where |k1| is larger than at its neighbours along e1 (a ridge line; Haralick 1983,
Lindeberg 1998: MEMORY), |k2| is small against |k1|, and the radius 1/|k1| is small. Connected
places form a line. The smallest radius is then measured on the unsmoothed field, by a second
difference across the line.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from simkit.dent.field import DepthField
from simkit.inspection.spots import SampledField

Array = NDArray[np.float64]
SHARP_MM = 40.0
"""Largest radius of a crease, our choice: the bending strain of 0.8 mm sheet is then 1 %."""
LARGEST_CURVATURE_RATIO = 0.35
"""Largest curvature along a crease over that across."""
SHORTEST_MM = 15.0
"""Smallest length of a crease."""
SMALLEST_TURN_RAD = 0.02
"""Smallest change of slope across a crease."""
SMOOTHING_STEPS = 1.3
"""Standard deviation of the smoothing, in grid steps."""
ARM_MM = 0.4
"""Step of the second difference across a crease."""


@dataclass(frozen=True)
class CreaseLine:
    """One crease.

    Attributes
    ----------
    kind : "valley" (the sheet bends outward on both sides of it) or "ridge".
    xy_mm : (n, 2) places along it; d_mm : (n,) deviation there; radius_mm : (n,) radius across it.
    length_mm : its length; sharpest_mm, sharpest_xy_mm : smallest radius and its place.
    turn_deg : largest change of slope across it.
    closed : whether it is a closed curve, like the crown of a bowl.
    blunted : True if the smoothing of a scan limits the radius; it is then an upper bound.
    """

    kind: Literal["valley", "ridge"]
    xy_mm: Array
    d_mm: Array
    radius_mm: Array
    length_mm: float
    sharpest_mm: float
    sharpest_xy_mm: tuple[float, float]
    turn_deg: float
    closed: bool
    blunted: bool = False


def find_creases(depth: DepthField, field: SampledField) -> list[CreaseLine]:
    """Creases of a depth field, sampled on a grid, the sharpest first."""
    step = min(field.step_mm)
    k1, k2, across = _curvatures(field)
    lines = []
    for sign in (1.0, -1.0):
        bend = sign * k1
        candidate = (bend > 1.0 / SHARP_MM) & (np.abs(k2) < LARGEST_CURVATURE_RATIO * bend)
        candidate &= _crest(bend, across)
        candidate &= ndimage.binary_erosion(field.on_panel, np.ones((3, 3)), border_value=0)
        labels, number = ndimage.label(candidate, np.ones((3, 3)))
        for k in range(1, number + 1):
            cells = np.argwhere(labels == k)
            if len(cells) * step < 0.5 * SHORTEST_MM:
                continue
            path, closed = _longest_path(cells)
            line = _measured(depth, field, path, across, sign, closed)
            if line is not None:
                lines.append(line)
    return sorted(lines, key=lambda line: line.sharpest_mm)


def _curvatures(field: SampledField) -> tuple[Array, Array, Array]:
    """k1, k2 (ny, nx) with |k1| >= |k2| [1/mm], and the unit direction (ny, nx, 2) of k1."""
    d = np.where(field.on_panel, field.d_mm, 0.0)
    dx, dy = field.step_mm
    hxx, hyy, hxy = (
        ndimage.gaussian_filter(d, SMOOTHING_STEPS, order=order, mode="nearest") / scale
        for order, scale in (((0, 2), dx**2), ((2, 0), dy**2), ((1, 1), dx * dy)))
    # eigenvalues and directions of the symmetric 2 x 2 Hessian (Mohr's circle); slopes are small,
    # so that the second derivatives of d are changes of curvature
    mean, half = 0.5 * (hxx + hyy), 0.5 * (hxx - hyy)
    size = np.hypot(half, hxy)
    upper, lower = mean + size, mean - size
    first = np.abs(upper) >= np.abs(lower)
    angle = 0.5 * np.arctan2(hxy, half) + np.where(first, 0.0, 0.5 * np.pi)
    return (np.where(first, upper, lower), np.where(first, lower, upper),
            np.stack([np.cos(angle), np.sin(angle)], axis=-1))


def _crest(bend: Array, across: Array) -> NDArray[np.bool_]:
    """Where a curvature is larger than one cell away along its own direction, on both sides."""
    ny, nx = bend.shape
    row, column = np.meshgrid(np.arange(ny), np.arange(nx), indexing="ij")
    beside = [ndimage.map_coordinates(
        bend, [row + s * across[..., 1], column + s * across[..., 0]], order=1, mode="nearest")
        for s in (-1.0, 1.0)]
    return np.asarray((bend >= beside[0]) & (bend > beside[1]))


def _longest_path(cells: NDArray[np.int64]) -> tuple[NDArray[np.int64], bool]:
    """Cells in order along the longest path through a connected set, and whether it is closed."""
    known = {tuple(cell): i for i, cell in enumerate(cells.tolist())}
    # two breadth-first searches (exact for a tree): the farthest cell from any cell is one end of a
    # longest path, and the farthest cell from that end is the other
    far, _ = _walk(known, cells, 0)
    end, parents = _walk(known, cells, far)
    path = [end]
    while parents[path[-1]] >= 0:
        path.append(parents[path[-1]])
    ring = len(cells) > 1.5 * len(path)
    if ring:
        # the path is one half of a closed curve: order all cells by their angle about the centre
        left = np.setdiff1d(np.arange(len(cells)), path)
        centre = cells.mean(axis=0)
        every = np.concatenate([np.array(path), left])
        angle = np.arctan2(*(cells[every] - centre).T)
        return cells[every[np.argsort(angle)]], True
    return cells[np.array(path)], False


def _walk(known: dict[tuple[int, ...], int], cells: NDArray[np.int64], start: int
          ) -> tuple[int, list[int]]:
    """Breadth-first search: the cell farthest from the start, and the parent of each cell."""
    parents = [-2] * len(cells)
    parents[start] = -1
    queue, last = deque([start]), start
    while queue:
        last = queue.popleft()
        row, column = cells[last]
        for i in (-1, 0, 1):
            for j in (-1, 0, 1):
                beside = known.get((int(row) + i, int(column) + j))
                if beside is not None and parents[beside] == -2:
                    parents[beside] = last
                    queue.append(beside)
    return last, parents


def _measured(depth: DepthField, field: SampledField, path: NDArray[np.int64], across: Array,
              sign: float, closed: bool) -> CreaseLine | None:
    """The crease line in mm with its radii; None if it is too short or too weak."""
    xy = np.column_stack([field.x_mm[path[:, 1]], field.y_mm[path[:, 0]]])
    way = across[path[:, 0], path[:, 1]]
    radius, turn, shift = _across(depth, xy, way, max(field.step_mm), sign)
    xy = xy + shift[:, None] * way
    if len(xy) > 4:
        xy = np.column_stack([ndimage.gaussian_filter1d(
            xy[:, i], 1.5, mode="wrap" if closed else "nearest") for i in range(2)])
    ends = np.vstack([xy, xy[:1]]) if closed else xy
    length = float(np.hypot(*np.diff(ends, axis=0).T).sum()) if len(xy) > 1 else 0.0
    if length < SHORTEST_MM or np.max(turn) < SMALLEST_TURN_RAD or np.min(radius) > SHARP_MM:
        return None
    best = int(np.argmin(radius))
    limit = sharpest_seen(depth.quality.smoothing_mm, float(np.max(turn)))
    return CreaseLine(
        kind="valley" if sign > 0.0 else "ridge", xy_mm=xy, d_mm=depth(*xy.T), radius_mm=radius,
        length_mm=length, sharpest_mm=float(radius[best]),
        sharpest_xy_mm=(float(xy[best, 0]), float(xy[best, 1])),
        turn_deg=float(np.degrees(np.max(turn))), closed=closed,
        blunted=bool(radius[best] < 1.5 * limit))


def sharpest_seen(smoothing_mm: float | None, turn_rad: float) -> float:
    """Radius [mm] of a sharp kink after smoothing by a spline; 0 without smoothing.

    A cubic smoothing spline has the kernel K(0) = 1 / (2 sqrt(2) l) for the smoothing length l
    (Silverman 1984: MEMORY); a kink by ``turn_rad`` then has the curvature turn K(0).
    """
    return 0.0 if smoothing_mm is None else 2.0 * np.sqrt(2.0) * smoothing_mm / max(turn_rad, 1e-9)


def _across(depth: DepthField, xy: Array, way: Array, step: float, sign: float
            ) -> tuple[Array, Array, Array]:
    """Smallest radius, change of slope, and offset of the smallest radius, across each place (n,).

    The radius is searched within 1.5 grid steps on either side; the change of slope is taken
    between four steps on either side.
    """
    arm = min(ARM_MM, 0.5 * step)
    shifts = np.arange(-1.5 * step, 1.5 * step + 0.5 * arm, arm)
    places = xy[:, None, :] + shifts[None, :, None] * way[:, None, :]

    def at(offset: float) -> Array:
        moved = places + offset * way[:, None, :]
        return depth(moved[..., 0], moved[..., 1])

    bend = sign * (at(-arm) - 2.0 * at(0.0) + at(arm)) / arm**2
    best = np.argmax(bend, axis=1)
    largest = np.maximum(bend[np.arange(len(xy)), best], 1e-9)
    reach, h = 4.0 * step, 0.25 * step
    slopes = [(depth(*(xy + (s + h) * way).T) - depth(*(xy + (s - h) * way).T)) / (2.0 * h)
              for s in (-reach, reach)]
    return 1.0 / largest, sign * (slopes[1] - slopes[0]), shifts[best]
