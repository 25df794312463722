"""Lows and highs of a deviation field as labelled spots."""

from __future__ import annotations

import io
from collections import defaultdict
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

Array = NDArray[np.float64]

PROMINENCE_OF_TOLERANCE = 0.5
"""Smallest height of a spot above the saddle to a higher spot, over the tolerance."""
PROMINENCE_OF_HEIGHT = 0.1
"""The same over the spot's own height; the larger of both counts."""


@dataclass(frozen=True)
class SampledField:
    """Deviation sampled on a regular grid of the x, y plane.

    Attributes
    ----------
    x_mm : (nx,) evenly spaced, rising [mm].
    y_mm : (ny,) evenly spaced, rising [mm].
    d_mm : (ny, nx) deviation along the outward normal, low < 0 [mm].
    valid : (ny, nx) points on the panel, or ``None`` if all are. d is used only there.
    """

    x_mm: Array
    y_mm: Array
    d_mm: Array
    valid: NDArray[np.bool_] | None = None

    def __post_init__(self) -> None:
        shape = (len(self.y_mm), len(self.x_mm))
        if self.d_mm.shape != shape or min(shape) < 3:
            raise ValueError(f"d_mm has shape {self.d_mm.shape}, expected {shape}, at least 3 x 3")
        if self.valid is not None and self.valid.shape != shape:
            raise ValueError(f"valid has shape {self.valid.shape}, expected {shape}")
        for name, axis in (("x_mm", self.x_mm), ("y_mm", self.y_mm)):
            steps = np.diff(axis)
            if steps[0] <= 0.0 or np.ptp(steps) > 1e-6 * steps[0]:
                raise ValueError(f"{name} is not evenly spaced and rising")
        if not np.isfinite(self.d_mm[self.on_panel]).all():
            raise ValueError("d_mm is not finite on the panel")

    def _repr_png_(self) -> bytes:
        """Shown by notebooks: the deviation as a map, zero white, lows blue, highs red."""
        from matplotlib.figure import Figure
        shown = np.where(self.on_panel, self.d_mm, np.nan)
        limit = max(float(np.nanmax(np.abs(shown))), 1e-6)
        figure = Figure(figsize=(5.2, 3.8), layout="constrained")
        axes = figure.add_subplot()
        image = axes.imshow(shown, cmap="RdBu_r", vmin=-limit, vmax=limit, origin="lower",
                            extent=(self.x_mm[0], self.x_mm[-1], self.y_mm[0], self.y_mm[-1]))
        axes.set_xlabel("x, mm")
        axes.set_ylabel("y, mm")
        figure.colorbar(image, label="deviation, mm (low < 0)")
        made = io.BytesIO()
        figure.savefig(made, format="png", dpi=100)
        return made.getvalue()

    @property
    def on_panel(self) -> NDArray[np.bool_]:
        """(ny, nx) points on the panel."""
        return np.ones(self.d_mm.shape, bool) if self.valid is None else self.valid

    @property
    def step_mm(self) -> tuple[float, float]:
        """Grid steps along x and y [mm]."""
        return float(self.x_mm[1] - self.x_mm[0]), float(self.y_mm[1] - self.y_mm[0])


@dataclass(frozen=True)
class Spot:
    """One low or high beyond the tolerance.

    Attributes
    ----------
    label : 1 for the largest |height|, 2 for the next, ...
    kind : "low" or "high".
    x_mm, y_mm : place of its extreme, between grid points.
    height_mm : deviation there, signed.
    area_mm2 : area beyond the tolerance, in plan.
    long_mm, short_mm : full axes of the ellipse with the same second moments.
    angle_deg : from the x axis to the long axis, -90 < angle <= 90.
    slope_mrad : steepest slope in it, 1000 |grad d|.
    """

    label: int
    kind: Literal["low", "high"]
    x_mm: float
    y_mm: float
    height_mm: float
    area_mm2: float
    long_mm: float
    short_mm: float
    angle_deg: float
    slope_mrad: float


def find_spots(field: SampledField, tolerance_mm: float) -> tuple[Spot, ...]:
    """Spots with |d| > ``tolerance_mm``, the largest |height| first; see `spot_labels`."""
    return tuple(describe_spots(field, spot_labels(field, tolerance_mm)))


def describe_spots(field: SampledField, labels: NDArray[np.int64]) -> list[Spot]:
    """The spots of a label map (ny, nx) as `spot_labels` returns it, in the order of the labels."""
    gy, gx = np.gradient(np.where(field.on_panel, field.d_mm, 0.0), field.y_mm, field.x_mm)
    slope = 1000.0 * np.hypot(gx, gy)
    dx, dy = field.step_mm
    spots = []
    for label in range(1, int(labels.max()) + 1):
        rows, columns = np.nonzero(labels == label)
        d = field.d_mm[rows, columns]
        top = int(np.argmax(np.abs(d)))
        x, y, height = vertex(field, int(rows[top]), int(columns[top]))
        xs, ys = field.x_mm[columns], field.y_mm[rows]
        # a grid point represents a cell dx by dy, whose own second moment is dx^2 / 12
        moments = np.cov(xs, ys, bias=True) + np.diag([dx**2, dy**2]) / 12.0
        values, vectors = np.linalg.eigh(moments)
        angle = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))
        spots.append(Spot(
            label=label,
            kind="low" if height < 0.0 else "high",
            x_mm=x,
            y_mm=y,
            height_mm=height,
            area_mm2=len(d) * dx * dy,
            long_mm=4.0 * float(np.sqrt(values[1])),
            short_mm=4.0 * float(np.sqrt(values[0])),
            angle_deg=float(90.0 - (90.0 - angle) % 180.0),
            slope_mrad=float(slope[rows, columns].max()),
        ))
    return spots


def vertex(field: SampledField, row: int, column: int) -> tuple[float, float, float]:
    """Place x, y and value of the extreme of a quadratic fit around a grid point [mm].

    Exact for a quadratic field. Returns the grid point itself if it is on a border, or if the fit
    has no extreme within one step.
    """
    d, (dx, dy) = field.d_mm, field.step_mm
    here = float(field.x_mm[column]), float(field.y_mm[row]), float(d[row, column])
    if not (0 < row < d.shape[0] - 1 and 0 < column < d.shape[1] - 1):
        return here
    if not field.on_panel[row - 1 : row + 2, column - 1 : column + 2].all():
        return here
    p = d[row - 1 : row + 2, column - 1 : column + 2]
    slope = 0.5 * np.array([p[1, 2] - p[1, 0], p[2, 1] - p[0, 1]])
    mixed = 0.25 * (p[2, 2] - p[2, 0] - p[0, 2] + p[0, 0])
    bend = np.array([
        [p[1, 2] - 2.0 * p[1, 1] + p[1, 0], mixed],
        [mixed, p[2, 1] - 2.0 * p[1, 1] + p[0, 1]],
    ])
    if np.linalg.det(bend) <= 0.0:
        return here
    move = -np.linalg.solve(bend, slope)
    if np.abs(move).max() > 1.0:
        return here
    x, y = here[0] + float(move[0]) * dx, here[1] + float(move[1]) * dy
    return x, y, here[2] + 0.5 * float(slope @ move)


def spot_labels(field: SampledField, tolerance_mm: float) -> NDArray[np.int64]:
    """Label map (ny, nx): 0 within the tolerance, 1, 2, ... the spots, largest |height| first.

    Every extreme beyond the tolerance starts a spot, which consists of the grid points from which
    the path of steepest ascent (of |d|) leads to it. Then neighbours are joined: a spot becomes
    part of a higher one if its prominence, its height above the saddle between them, is less than
    half of the tolerance or less than 10 % of its own height. So noise and a shallow saddle do not
    divide a spot, while two dents with a common rim, or two lobes of a crown, stay separate. Lows
    and highs are never joined. No spot is removed because it is small.
    """
    if tolerance_mm <= 0.0:
        raise ValueError(f"tolerance_mm is {tolerance_mm}, expected above 0")
    labels = np.zeros(field.d_mm.shape, dtype=np.int64)
    heights: list[float] = []
    for sign in (-1.0, 1.0):
        signed = np.where(field.on_panel, sign * field.d_mm, -np.inf)
        own = _hills(signed, tolerance_mm)
        labels[own > 0] = own[own > 0] + len(heights)
        heights += [float(signed[own == k].max()) for k in range(1, int(own.max()) + 1)]
    order = np.argsort(-np.array(heights), kind="stable")
    rank = np.zeros(len(heights) + 1, dtype=np.int64)
    rank[order + 1] = np.arange(1, len(heights) + 1)
    return rank[labels]


def _hills(signed: Array, tolerance: float) -> NDArray[np.int64]:
    """Label map of the hills above ``tolerance``, in any order of numbers."""
    shape = signed.shape
    order = np.argsort(signed, axis=None, kind="stable")
    rank = np.empty(signed.size, dtype=np.int64)
    rank[order] = np.arange(signed.size)
    # ranks instead of values: there are no equal neighbours, so every point has one path upwards
    top = order[maximum_filter(rank.reshape(shape), 3, mode="nearest").ravel()]
    while True:
        higher = top[top]
        if np.array_equal(higher, top):
            break
        top = higher
    _join(signed, top, tolerance)
    top = np.where(signed.ravel() > tolerance, top, -1)
    numbers = np.unique(top[top >= 0])
    return np.where(top >= 0, np.searchsorted(numbers, top) + 1, 0).reshape(shape)


def _join(signed: Array, top: NDArray[np.int64], tolerance: float) -> None:
    """Change ``top`` in place so that the points of joined hills have the higher top."""
    value = signed.ravel()
    hill = top.reshape(signed.shape)
    passes: defaultdict[tuple[int, int], float] = defaultdict(lambda: -np.inf)
    for first, second in _neighbours():
        a, b = hill[first].ravel(), hill[second].ravel()
        low = np.minimum(signed[first], signed[second]).ravel()
        # saddles below half of the tolerance can never join two hills
        for i in np.flatnonzero((a != b) & (low > (0.5 - 1e-9) * tolerance)):
            pair = (min(a[i], b[i]), max(a[i], b[i]))
            passes[pair] = max(passes[pair], float(low[i]))
    parent = {int(t): int(t) for t in np.unique(top)}

    def root(t: int) -> int:
        while parent[t] != t:
            t = parent[t]
        return t

    for (a_top, b_top), height in sorted(passes.items(), key=lambda item: -item[1]):
        small, large = sorted((root(a_top), root(b_top)), key=lambda t: (value[t], t))
        least = max(PROMINENCE_OF_TOLERANCE * tolerance, PROMINENCE_OF_HEIGHT * value[small])
        if small != large and value[small] - height < least:
            parent[small] = large
    tops = np.array(sorted(parent))
    roots = np.array([root(int(t)) for t in tops])
    top[:] = roots[np.searchsorted(tops, top)]


def _neighbours() -> list[tuple[tuple[slice, slice], tuple[slice, slice]]]:
    """Pairs of slices of a grid that select all pairs of neighbours in four directions."""
    every, head, tail = slice(None), slice(None, -1), slice(1, None)
    return [
        ((every, head), (every, tail)),
        ((head, every), (tail, every)),
        ((head, head), (tail, tail)),
        ((head, tail), (tail, head)),
    ]
