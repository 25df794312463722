"""The effect of the noise of the readings on the depth field."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simkit.dent.field import DepthField
from simkit.dent.grid import fit_grid, read_grid
from simkit.inspection.measures import slope_deviation
from simkit.inspection.spots import SampledField
from simkit.measurement.read import DentSpec, field_of_readings, gauge_readings

NOISE_DRAWS = 5
GRID_LINES = 121

Depth = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True)
class Unrest:
    """Largest change of deviation, mm, and of slope, mrad, of a field by noise, each the median of
    `NOISE_DRAWS` draws; count : number of readings."""

    height_mm: float
    slope_mrad: float
    count: int


def noise_unrest(spec: DentSpec, field: DepthField, base_mm: float, seed: int) -> Unrest | None:
    """Add random noise of the given size to the readings, fit the field again and compare.

    None if there is no noise to draw: readings without noise, a described shape, a blow, or a scan
    (whose noise is smoothed before). ``base_mm``: length over which slopes are measured.
    """
    again = _again(spec)
    if again is None or spec.noise_mm <= 0.0:
        return None
    fit, count = again
    random = np.random.default_rng(seed)
    x0, x1, y0, y1 = field.box_mm
    grow_x, grow_y = max(0.0, base_mm - (x1 - x0)), max(0.0, base_mm - (y1 - y0))
    x = np.linspace(x0 - grow_x, x1 + grow_x, GRID_LINES)
    y = np.linspace(y0 - grow_y, y1 + grow_y, GRID_LINES)
    xx, yy = np.meshgrid(x, y)
    # the fit without added errors, with which each draw is compared
    still = fit(np.zeros(count))(xx, yy)
    heights, slopes = [], []
    for _ in range(NOISE_DRAWS):
        moved = fit(random.normal(0.0, spec.noise_mm, count))(xx, yy) - still
        heights.append(float(np.abs(moved).max()))
        slopes.append(float(np.nanmax(slope_deviation(SampledField(x, y, moved), base_mm))))
    return Unrest(float(np.median(heights)), float(np.median(slopes)), count)


def _again(spec: DentSpec) -> tuple[Callable[[NDArray[np.float64]], Depth], int] | None:
    """The fit as a function of the errors added to the readings, and the number of readings."""
    if spec.points_csv is not None or getattr(spec, "sections_csv", None) is not None:
        parts, outlines = gauge_readings(spec)
        ends = np.cumsum([len(part.d_mm) for part in parts])

        def fit(added: NDArray[np.float64]) -> Depth:
            pieces: Sequence[NDArray[np.float64]] = np.split(added, ends[:-1])
            noisy = [replace(part, d_mm=part.d_mm + piece)
                     for part, piece in zip(parts, pieces, strict=True)]
            return field_of_readings(noisy, outlines, spec.noise_mm).depth

        return fit, int(ends[-1])
    if spec.grid_csv is not None:
        grid = read_grid(Path(spec.grid_csv))

        def refit(added: NDArray[np.float64]) -> Depth:
            return fit_grid(replace(grid, d_mm=grid.d_mm + added.reshape(grid.d_mm.shape)),
                            spec.noise_mm)

        return refit, grid.d_mm.size
    return None
