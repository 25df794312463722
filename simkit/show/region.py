"""Parts of a deviation field for pictures: lows and highs, the window to show, sections."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.interpolate import RegularGridInterpolator

from simkit.record.read import Array, Field


@dataclass(frozen=True)
class Spot:
    """Extreme point of one low (d_mm < 0) or high (d_mm > 0)."""

    x_mm: float
    y_mm: float
    d_mm: float


@dataclass(frozen=True)
class Region:
    """Rectangle of the panel, mm."""

    x0: float
    x1: float
    y0: float
    y1: float

    def holds(self, x_mm: float, y_mm: float) -> bool:
        """True when the point lies inside."""
        return self.x0 <= x_mm <= self.x1 and self.y0 <= y_mm <= self.y1


def spots(field: Field, tolerance_mm: float, most: int = 4) -> list[Spot]:
    """Extreme points of the connected patches outside +-tolerance.

    At most `most` lows and as many highs, the largest first.
    """
    found: list[Spot] = []
    for sign in (-1.0, 1.0):
        height = np.nan_to_num(sign * field.d_mm, nan=-np.inf)
        labels, count = ndimage.label(height > tolerance_mm)
        if count == 0:
            continue
        places = ndimage.maximum_position(height, labels, range(1, count + 1))
        patch = [Spot(float(field.x_mm[i]), float(field.y_mm[j]), float(field.d_mm[j, i]))
                 for j, i in places]
        found += sorted(patch, key=lambda spot: -abs(spot.d_mm))[:most]
    return found


def extent(field: Field) -> Region:
    """Smallest rectangle round the panel's outline."""
    inside = np.isfinite(field.d_mm)
    x = field.x_mm[inside.any(axis=0)]
    y = field.y_mm[inside.any(axis=1)]
    return Region(float(x[0]), float(x[-1]), float(y[0]), float(y[-1]))


def zoom(fields: Sequence[Field], tolerance_mm: float, aspect: float) -> Region:
    """Part of the panel with all deviations beyond the tolerance, with a margin.

    aspect : width over height of the picture and of the window. If possible, the window is moved
        inside the panel, except for a narrow rim that shows the panel's edge.
    """
    panel = extent(fields[0])
    largest = np.max([np.nan_to_num(np.abs(field.d_mm)) for field in fields], axis=0)
    marked = largest > max(tolerance_mm, 0.02 * float(largest.max()))
    if not marked.any():
        marked = np.isfinite(fields[0].d_mm)
    x = fields[0].x_mm[marked.any(axis=0)]
    y = fields[0].y_mm[marked.any(axis=1)]
    width = 1.25 * max(float(x[-1] - x[0]), 20.0)
    height = 1.25 * max(float(y[-1] - y[0]), 20.0)
    height = max(height, width / aspect)
    whole = 1.08 * max(panel.y1 - panel.y0, (panel.x1 - panel.x0) / aspect)
    height = min(height, whole)
    width = aspect * height
    rim = 0.04 * height
    cx = _shift((x[0] + x[-1]) / 2, width, panel.x0 - rim, panel.x1 + rim)
    cy = _shift((y[0] + y[-1]) / 2, height, panel.y0 - rim, panel.y1 + rim)
    return Region(cx - width / 2, cx + width / 2, cy - height / 2, cy + height / 2)


def _shift(centre: float, size: float, low: float, high: float) -> float:
    if size >= high - low:
        return (low + high) / 2
    return float(np.clip(centre, low + size / 2, high - size / 2))


def fine(field: Field, window: Region, points: int = 420) -> Field:
    """Field on a fine uniform grid in the window by bilinear interpolation, which cannot exceed the
    values of the field."""
    look = RegularGridInterpolator((field.y_mm, field.x_mm), field.d_mm, bounds_error=False)
    x = np.linspace(window.x0, window.x1, points)
    y = np.linspace(window.y0, window.y1, points)
    return Field(x, y, look(np.stack(np.meshgrid(y, x, indexing="ij"), axis=-1)))


def deepest(field: Field) -> tuple[int, int]:
    """Row and column of the deepest point; of the largest |d| if there is no low."""
    d = field.d_mm
    if np.nanmin(d) < 0.0:
        j, i = np.unravel_index(np.nanargmin(d), d.shape)
    else:
        j, i = np.unravel_index(np.nanargmax(np.abs(d)), d.shape)
    return int(j), int(i)


def sections(field: Field, at: tuple[int, int]) -> tuple[Array, Array]:
    """Deviations along x (nx,) and along y (ny,) through a grid point (row, column)."""
    return field.d_mm[at[0], :], field.d_mm[:, at[1]]
