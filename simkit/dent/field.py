"""The depth field: deviation d(x, y) of a damaged panel from its undamaged shape."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from simkit.errors import InputError

Array = NDArray[np.float64]
Extent = tuple[float, float, float, float]

LARGEST_REASONABLE_DEPTH_MM = 60.0
MOST_SAMPLES = 1_000_000
LEAST_PER_SIDE = 201


@dataclass(frozen=True)
class Quality:
    """How well the data determine the field; in mm, ``None`` if the source has no such number.

    Attributes
    ----------
    n_data : number of readings used (0 for described shapes).
    rms_misfit_mm : rms difference of field and readings.
    rms_left_out_mm : rms error of each reading predicted from all the others.
    worst_left_out_mm : the largest such error, signed (reading minus prediction).
    worst_xy_mm : place of that reading.
    worst_line : its line in the file; worst_place : the same in words, with the file if several.
    rms_section_out_mm : rms error of the readings of a section predicted without that section.
    smoothing_mm : smoothing length of a scan's field.
    next_places : (x, y, expected error) where a further reading reduces the error most, [mm].
    edge_mm : largest |d| read at the border of the data; a value far above the noise means
        that the damage extends beyond the measured area.
    notes : sentences for the user.
    """

    n_data: int = 0
    rms_misfit_mm: float | None = None
    rms_left_out_mm: float | None = None
    worst_left_out_mm: float | None = None
    worst_xy_mm: tuple[float, float] | None = None
    worst_line: int | None = None
    worst_place: str | None = None
    rms_section_out_mm: float | None = None
    smoothing_mm: float | None = None
    next_places: tuple[tuple[float, float, float], ...] = ()
    edge_mm: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class DepthField:
    """Deviation d [mm] along the outward normal over the panel's chart plane, low < 0, high > 0.

    Attributes
    ----------
    depth : function of arrays x, y [mm], giving d [mm]; goes to zero away from the damage.
    reach_mm : (x_min, x_max, y_min, y_max) outside which d is zero or negligible.
    noise_mm : standard deviation of the readings.
    source : where the field comes from, in words.
    places_mm : (n, 2) places that must lie on the panel (readings, rim of a shape).
    places_line : (n,) their lines in ``file``; 0 where there is none.
    file : the file read, if any.
    quality : how well the data determine the field.
    detail_mm : length of the smallest detail, if it does not follow from the places.
    box_mm : (x_min, x_max, y_min, y_max) of the damage, where |d| is above twice the noise
        (and above a thousandth of the peak).
    lowest_mm, highest_mm : extremes of d, sampled.
    """

    depth: Callable[[Array, Array], Array]
    reach_mm: Extent
    noise_mm: float
    source: str
    places_mm: Array
    places_line: NDArray[np.int64]
    file: str | None = None
    quality: Quality = Quality()
    detail_mm: float | None = None
    box_mm: Extent = field(init=False)
    lowest_mm: float = field(init=False)
    highest_mm: float = field(init=False)

    def __post_init__(self) -> None:
        x, y, d = self.closely()
        peak = float(np.abs(d).max())
        if peak <= 2.0 * self.noise_mm:
            raise InputError(
                f"no dent: the largest deviation is {peak:.3g} mm",
                f"a deviation above twice the noise of {self.noise_mm:g} mm",
                file=self.file,
            )
        if peak > LARGEST_REASONABLE_DEPTH_MM:
            raise InputError(
                f"the depth field reaches {peak:.4g} mm",
                f"at most {LARGEST_REASONABLE_DEPTH_MM:g} mm; check units and scattered readings",
                file=self.file,
            )
        # Two standard deviations: at one, a third of all undamaged readings would count. Shapes
        # never become exactly zero: a thousandth of the peak ends them without noise.
        damaged = np.abs(d) > max(2.0 * self.noise_mm, 1e-3 * peak)
        columns, rows = np.flatnonzero(damaged.any(axis=0)), np.flatnonzero(damaged.any(axis=1))
        box = (x[columns[0]], x[columns[-1]], y[rows[0]], y[rows[-1]])
        # The dataclass is frozen; derived fields are set once here.
        object.__setattr__(self, "box_mm", tuple(float(v) for v in box))
        object.__setattr__(self, "lowest_mm", float(d.min()))
        object.__setattr__(self, "highest_mm", float(d.max()))
        for array in (self.places_mm, self.places_line):
            array.setflags(write=False)

    def __call__(self, x: ArrayLike, y: ArrayLike) -> Array:
        """Deviation d [mm] at x, y [mm]; the shapes of x and y are broadcast."""
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        return np.asarray(self.depth(x, y), dtype=float)

    def closely(self) -> tuple[Array, Array, Array]:
        """Axes x (nx,), y (ny,) over ``reach_mm`` and d (ny, nx).

        The spacing is that of the readings, so that no small dent falls between two samples.
        """
        sides = np.ptp(np.reshape(self.reach_mm, (2, 2)), axis=1)
        step = self.detail_mm or _spacing(self.places_mm)
        # At least 201 samples a side, also where few readings lie far apart.
        counts = np.maximum(LEAST_PER_SIDE, np.ceil(sides / step).astype(int) + 1)
        if counts.prod() > MOST_SAMPLES:
            counts = np.maximum(LEAST_PER_SIDE,
                                (counts * np.sqrt(MOST_SAMPLES / counts.prod())).astype(int))
        x0, x1, y0, y1 = self.reach_mm
        x, y = np.linspace(x0, x1, counts[0]), np.linspace(y0, y1, counts[1])
        return x, y, self(x[None, :], y[:, None])

    def sample(self, n: int) -> tuple[Array, Array, Array]:
        """Axes x (n,), y (n,) over ``reach_mm`` and d (n, n) on them, rows along y."""
        x0, x1, y0, y1 = self.reach_mm
        x, y = np.linspace(x0, x1, n), np.linspace(y0, y1, n)
        return x, y, self(x[None, :], y[:, None])


def _spacing(places: Array) -> float:
    """Distance [mm] to the nearest neighbour that 19 of 20 places (n, 2) have or exceed."""
    places = np.unique(np.round(places, 6), axis=0)
    if len(places) < 2:
        return float("inf")
    near = cKDTree(places).query(places, k=2)[0][:, 1]
    return max(float(np.quantile(near, 0.05)), 0.1)


def outline_of(extent: Extent) -> Array:
    """(4, 2) corners of the rectangle (x_min, x_max, y_min, y_max), counter-clockwise."""
    x0, x1, y0, y1 = extent
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=float)


def inside(xy: Array, outline: Array, slack_mm: float = 1e-6) -> NDArray[np.bool_]:
    """Which of the points (n, 2) lie in the polygon (m, 2), its border included.

    Even-odd rule; points within ``slack_mm`` of a side count as inside.
    """
    xy, outline = np.atleast_2d(np.asarray(xy, float)), np.asarray(outline, float)
    odd = np.zeros(len(xy), dtype=bool)
    near = np.zeros(len(xy), dtype=bool)
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        side = b - a
        between = (a[1] > xy[:, 1]) != (b[1] > xy[:, 1])
        if side[1] != 0.0:
            # A ray along +x from the point crosses this side.
            odd ^= between & (xy[:, 0] < a[0] + (xy[:, 1] - a[1]) * side[0] / side[1])
        along = np.clip((xy - a) @ side / max(float(side @ side), 1e-300), 0.0, 1.0)
        near |= np.hypot(*(xy - a - along[:, None] * side).T) <= slack_mm
    return odd | near


def check_inside(depth_field: DepthField, outline: ArrayLike) -> None:
    """Raise `InputError` when a reading or a shape's rim lies outside the panel.

    ``outline`` is the panel's border in the chart plane: a polygon (m, 2) [mm], or the
    rectangle (x_min, x_max, y_min, y_max).
    """
    border = np.asarray(outline, dtype=float)
    border = outline_of(tuple(border)) if border.shape == (4,) else border
    outside = np.flatnonzero(~inside(depth_field.places_mm, border))
    if outside.size == 0:
        return
    x, y = depth_field.places_mm[outside[0]]
    (x0, y0), (x1, y1) = border.min(axis=0), border.max(axis=0)
    line = int(depth_field.places_line[outside[0]])
    more = f" ({outside.size} such places)" if outside.size > 1 else ""
    raise InputError(
        f"dent outside the panel: {depth_field.source} at x = {x:.4g}, y = {y:.4g} mm{more}",
        f"places on the panel, x {x0:g} to {x1:g} mm and y {y0:g} to {y1:g} mm",
        file=depth_field.file,
        line=line or None,
    )
