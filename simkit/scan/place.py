"""A measured scan placed on the panel of a case, as a depth field."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from simkit.dent.field import DepthField, Quality
from simkit.dent.grid import GridSpline, fit_grid
from simkit.errors import InputError
from simkit.scan.pipeline import Measured, ScanOptions, measure_scan

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Placement:
    """Position of a scan's deepest low on the panel [mm], and rotation of the scan [degrees]."""

    x_mm: float
    y_mm: float
    angle_deg: float = 0.0


@dataclass(frozen=True)
class PlacedField:
    """A scan's field on the panel: rotated, and moved so that ``low_mm`` is at the place."""

    spline: GridSpline
    low_mm: tuple[float, float]
    place: Placement

    def __call__(self, x: Array, y: Array) -> Array:
        """Deviation d [mm] at places x, y of the panel [mm]."""
        c, s = np.cos(np.radians(self.place.angle_deg)), np.sin(np.radians(self.place.angle_deg))
        dx, dy = x - self.place.x_mm, y - self.place.y_mm
        return self.spline(self.low_mm[0] + c * dx + s * dy, self.low_mm[1] - s * dx + c * dy)

    def of_scan(self, xy: Array) -> Array:
        """Places (n, 2) of the scan's frame on the panel [mm]."""
        c, s = np.cos(np.radians(self.place.angle_deg)), np.sin(np.radians(self.place.angle_deg))
        dx, dy = (xy - np.array(self.low_mm)).T
        return np.column_stack([self.place.x_mm + c * dx - s * dy,
                                self.place.y_mm + s * dx + c * dy])


def field_of_scan(measured: Measured, place: Placement | None, noise_mm: float) -> DepthField:
    """Depth field of a measured scan; ``place`` None leaves it in the scan's own frame."""
    depth, quality = measured.depth, measured.quality
    low = deepest(depth.x_mm, depth.y_mm, depth.d_mm)
    laid = PlacedField(fit_grid(measured.grid(), 0.0), low, place or Placement(*low))
    x, y = (v.ravel() for v in np.meshgrid(depth.x_mm, depth.y_mm))
    damaged = np.abs(depth.d_mm).ravel() > max(3.0 * noise_mm, 0.05)
    x0, x1, y0, y1 = laid.spline.extent_mm
    corners = laid.of_scan(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    reach = np.column_stack([corners.min(axis=0), corners.max(axis=0)]).ravel()
    return DepthField(
        depth=laid,
        reach_mm=(float(reach[0]), float(reach[1]), float(reach[2]), float(reach[3])),
        noise_mm=noise_mm,
        source=f"scan of {quality.kept} points",
        places_mm=laid.of_scan(np.column_stack([x, y])[damaged]),
        places_line=np.zeros(int(damaged.sum()), dtype=np.int64),
        file=measured.file,
        quality=Quality(n_data=quality.kept, rms_misfit_mm=quality.noise_mm,
                        smoothing_mm=quality.smoothing_mm[0], notes=quality.notes),
    )


def deepest(x: Array, y: Array, d: Array) -> tuple[float, float]:
    """Position [mm] of the deepest low of a grid (ny, nx): minimum of a paraboloid.

    The paraboloid is fitted to all nodes around the lowest node with at least 85 % of its depth; on
    a flat bottom the lowest node alone would be decided by the noise. If the paraboloid has no
    minimum among these nodes, the lowest node is returned.
    """
    row, column = np.unravel_index(int(np.argmin(d)), d.shape)
    labels, _ = ndimage.label(d <= 0.85 * d[row, column])
    rows, columns = np.nonzero(labels == labels[row, column])
    node = float(x[column]), float(y[row])
    if d[row, column] >= 0.0 or len(rows) < 9:
        return node
    u, v = x[columns] - node[0], y[rows] - node[1]
    table = np.column_stack([np.ones_like(u), u, v, u**2, u * v, v**2])
    _, a, b, p, q, r = np.linalg.lstsq(table, d[rows, columns], rcond=None)[0]
    if p <= 0.0 or 4.0 * p * r - q**2 <= 0.0:
        return node
    at = np.linalg.solve([[2.0 * p, q], [q, 2.0 * r]], [-a, -b])
    if not (u.min() <= at[0] <= u.max() and v.min() <= at[1] <= v.max()):
        return node
    return node[0] + float(at[0]), node[1] + float(at[1])


def measured_once(path: Path, options: ScanOptions) -> Measured:
    """`measure_scan` with its result kept, so that a file is measured once per process."""
    try:
        state = path.stat()
    except OSError:
        raise InputError("no such file", "a scan", file=str(path)) from None
    return _measured(path, options, state.st_mtime_ns, state.st_size)


@lru_cache(maxsize=2)
def _measured(path: Path, options: ScanOptions, changed: int, size: int) -> Measured:
    return measure_scan(path, options)
