"""Measures of a repaired panel: flatness, improvement, stretch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import make_interp_spline

from simkit.errors import InputError
from simkit.inspection.spots import Array, SampledField, Spot, find_spots

TOLERANCE_MM = 0.1
"""Default tolerance of the deviation: common practice, no source."""
SLOPE_LIMIT_MRAD = 2.0
"""Default limit of the slope deviation: common practice, no source."""
SLOPE_BASE_MM = 20.0
"""Default base length of the slope deviation: common practice, no source."""


@dataclass(frozen=True)
class Flatness:
    """Verdict on a deviation field.

    ``max_low_mm`` <= 0 and ``max_high_mm`` >= 0 are the extremes on the grid, 0 if there is
    none; ``slope_mrad`` is the largest slope deviation, at ``slope_xy_mm``; ``reason`` says in
    one sentence why it is flat or not.
    """

    flat: bool
    max_low_mm: float
    max_high_mm: float
    slope_mrad: float
    slope_xy_mm: tuple[float, float]
    spots: tuple[Spot, ...]
    tolerance_mm: float
    slope_limit_mrad: float
    slope_base_mm: float
    reason: str


def node_areas(field: SampledField) -> Array:
    """(ny, nx) area [mm^2] of each grid point by the trapezoidal rule; 0 off the panel."""
    weights = []
    for axis in (field.y_mm, field.x_mm):
        w = np.full(len(axis), axis[1] - axis[0])
        w[[0, -1]] *= 0.5
        weights.append(w)
    return np.where(field.on_panel, np.outer(*weights), 0.0)


def slope_deviation(field: SampledField, base_mm: float = SLOPE_BASE_MM) -> Array:
    """Slope deviation [mrad] (ny, nx) over a base length L; NaN where the base does not fit.

    With s_x = [d(x + L/2, y) - d(x - L/2, y)]/L and s_y likewise: 1000 sqrt(s_x^2 + s_y^2).
    It is the reading of a gauge with two feet at distance L in its worst direction, if d is nearly
    linear over the base; waves shorter than L are reduced. d between grid points is interpolated by
    cubic splines. All four feet must be on the panel.
    """
    width, height = np.ptp(field.x_mm), np.ptp(field.y_mm)
    if not 0.0 < base_mm <= min(width, height):
        raise InputError(
            f"the base length of the slope is {base_mm:g} mm",
            f"above 0 and at most {min(width, height):g} mm, the size of the field",
        )
    along_x, along_y = slope_parts(field, base_mm)
    return np.hypot(along_x, along_y)


def slope_parts(field: SampledField, base_mm: float = SLOPE_BASE_MM) -> tuple[Array, Array]:
    """The two parts s_x and s_y [mrad] (ny, nx) of the slope deviation, linear in the deviation."""
    scale = 1000.0 / base_mm
    return scale * _difference(field, base_mm, 1), scale * _difference(field, base_mm, 0)


def _difference(field: SampledField, base_mm: float, axis: int) -> Array:
    """d(+ L/2) - d(- L/2) along an axis (1: x, 0: y), mm; NaN where a foot is off the panel."""
    places = (field.y_mm, field.x_mm)[axis]
    d = np.where(field.on_panel, field.d_mm, 0.0)
    spline = make_interp_spline(places, d, k=min(3, len(places) - 1), axis=axis)
    slack = 1e-9 * base_mm
    ahead, behind = places + 0.5 * base_mm, places - 0.5 * base_mm
    fits = (ahead <= places[-1] + slack) & (behind >= places[0] - slack)
    ahead, behind = (np.clip(foot, places[0], places[-1]) for foot in (ahead, behind))
    result = spline(ahead) - spline(behind)
    step = places[1] - places[0]
    stands = np.ones(d.shape, dtype=bool)
    # a foot between two grid points stands on the panel only if both of them do
    for foot in (ahead, behind):
        at = (foot - places[0]) / step
        for index in (np.floor(at + 1e-9), np.ceil(at - 1e-9)):
            index = np.clip(index.astype(int), 0, len(places) - 1)
            stands &= np.take(field.on_panel, index, axis=axis)
    keep = stands & (fits[None, :] if axis == 1 else fits[:, None])
    return np.where(keep & field.on_panel, result, np.nan)


def flatness(
    field: SampledField,
    tolerance_mm: float = TOLERANCE_MM,
    slope_limit_mrad: float = SLOPE_LIMIT_MRAD,
    slope_base_mm: float = SLOPE_BASE_MM,
) -> Flatness:
    """Flatness: no spot outside +-tolerance, and the slope deviation nowhere above its limit."""
    spots = find_spots(field, tolerance_mm)
    slope = slope_deviation(field, slope_base_mm)
    if np.isnan(slope).all():
        raise InputError(
            f"a base length of {slope_base_mm:g} mm fits nowhere on the panel", "a shorter one"
        )
    row, column = np.unravel_index(int(np.nanargmax(slope)), slope.shape)
    steepest = float(slope[row, column])
    place = float(field.x_mm[column]), float(field.y_mm[row])
    d = field.d_mm[field.on_panel]
    reasons = []
    if spots:
        s = spots[0]
        count = f"{len(spots)} spot{'s' if len(spots) > 1 else ''} outside {tolerance_mm:g} mm"
        reasons.append(f"{count}, worst {s.height_mm:+.2f} mm at x {s.x_mm:.0f}, y {s.y_mm:.0f}")
    if steepest > slope_limit_mrad:
        reasons.append(
            f"slope {steepest:.1f} mrad over {slope_base_mm:g} mm at x {place[0]:.0f}, "
            f"y {place[1]:.0f}, limit {slope_limit_mrad:g}"
        )
    return Flatness(
        flat=not reasons,
        max_low_mm=min(float(d.min()), 0.0),
        max_high_mm=max(float(d.max()), 0.0),
        slope_mrad=steepest,
        slope_xy_mm=place,
        spots=spots,
        tolerance_mm=tolerance_mm,
        slope_limit_mrad=slope_limit_mrad,
        slope_base_mm=slope_base_mm,
        reason="; ".join(reasons) or "no spot and no slope outside the limits",
    )


def deviation_volume_mm3(field: SampledField) -> float:
    """Volume between the panel and its undamaged shape: integral of |d| over x, y [mm^3]."""
    return float(np.sum(node_areas(field) * np.abs(np.where(field.on_panel, field.d_mm, 0.0))))


def excess_volume_mm3(field: SampledField, tolerance_mm: float = TOLERANCE_MM) -> float:
    """Volume beyond the tolerance: integral of max(|d| - tolerance, 0) over x, y [mm^3].

    Deviations within the tolerance do not count, because a wide, shallow, invisible wave would
    otherwise outweigh the damage.
    """
    beyond = np.abs(np.where(field.on_panel, field.d_mm, 0.0)) - tolerance_mm
    return float(np.sum(node_areas(field) * np.maximum(beyond, 0.0)))


def improvement_pct(before: SampledField, after: SampledField,
                    tolerance_mm: float = TOLERANCE_MM) -> float:
    """Removed share of the volume beyond the tolerance [%]; negative if it grew, NaN if it was
    zero."""
    start = excess_volume_mm3(before, tolerance_mm)
    return _share_removed(start, excess_volume_mm3(after, tolerance_mm))


def improvement_raw_pct(before: SampledField, after: SampledField) -> float:
    """Removed share of the volume of |d| [%]; negative if it grew, NaN if it was zero."""
    return _share_removed(deviation_volume_mm3(before), deviation_volume_mm3(after))


def limit_use(field: SampledField, tolerance_mm: float = TOLERANCE_MM,
              slope_limit_mrad: float = SLOPE_LIMIT_MRAD,
              slope_base_mm: float = SLOPE_BASE_MM) -> Array:
    """Larger of |d|/tolerance and slope deviation/limit at every grid point (ny, nx).

    1 is the limit; 0 off the panel. Where the base does not fit, only the height counts.
    """
    height = np.where(field.on_panel, np.abs(field.d_mm), 0.0) / tolerance_mm
    slope = np.nan_to_num(slope_deviation(field, slope_base_mm)) / slope_limit_mrad
    return np.maximum(height, slope)


def left_mm2(field: SampledField, tolerance_mm: float = TOLERANCE_MM,
             slope_limit_mrad: float = SLOPE_LIMIT_MRAD,
             slope_base_mm: float = SLOPE_BASE_MM) -> float:
    """Measure of the deviation beyond the limits: integral of max(u - 1, 0)^2 over x, y [mm^2],
    with u of `limit_use`."""
    beyond = np.maximum(limit_use(field, tolerance_mm, slope_limit_mrad, slope_base_mm) - 1.0, 0.0)
    return float(np.sum(node_areas(field) * beyond**2))


def _share_removed(start: float, end: float) -> float:
    return 100.0 * (1.0 - end / start) if start > 0.0 else float("nan")


def slope_improvement_pct(
    before: SampledField, after: SampledField, base_mm: float = SLOPE_BASE_MM
) -> float:
    """Removed share of the integral of the slope deviation over x, y [%].

    Negative if it grew, NaN if it was zero.
    """
    start, end = (
        float(np.nansum(node_areas(f) * slope_deviation(f, base_mm))) for f in (before, after)
    )
    return 100.0 * (1.0 - end / start) if start > 0.0 else float("nan")


def area_strain(green: ArrayLike) -> Array:
    """Relative change of area of in-plane Green-Lagrange strains (..., 3) as (E11, E22, E12).

    sqrt(det(I + 2E)) - 1, exact; E12 is the tensor component, half of the engineering strain.
    """
    e = np.asarray(green, dtype=float)
    # C = I + 2E is the metric of the deformed sheet; its determinant is the squared area ratio
    det = (1.0 + 2.0 * e[..., 0]) * (1.0 + 2.0 * e[..., 1]) - 4.0 * e[..., 2] ** 2
    return np.sqrt(det) - 1.0


def stretch_mm2(plastic_area_strain: ArrayLike, area_mm2: ArrayLike) -> float:
    """Surplus of surface area by plastic stretching [mm^2]: sum of area strain times area.

    Both arrays have one entry per integration point of the mid-surface; ``area_mm2`` is its
    undamaged area. Positive: the sheet has become too large.
    """
    strain, area = np.asarray(plastic_area_strain, float), np.asarray(area_mm2, float)
    if strain.shape != area.shape:
        raise ValueError(f"area strain has shape {strain.shape}, areas have {area.shape}")
    return float(np.sum(strain * area))
