"""The crown around a low: its place and height, and its change by a step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import RectBivariateSpline

from simkit.inspection.spots import Array, SampledField, Spot

CROWN_REACH = 2.5
"""The crown is searched up to this many rim distances from the low."""
CROWN_RAYS = 72
"""Number of rays from the low."""


@dataclass(frozen=True)
class CrownRing:
    """The crown around a low, along rays from the low's extreme.

    Attributes
    ----------
    centre_mm : (x, y) of the low's extreme.
    low_mm : deviation there.
    angle_deg : (n,) direction of each ray, from the x axis, counter-clockwise.
    rim_mm : (n,) distance at which d first rises through zero; NaN if it never does.
    ring_mm : (n,) distance of the highest d between the rim and ``CROWN_REACH`` rim distances.
    d_mm : (n,) d there.
    height_mm : the largest of these d; xy_mm : its place.
    """

    centre_mm: tuple[float, float]
    low_mm: float
    angle_deg: Array
    rim_mm: Array
    ring_mm: Array
    d_mm: Array
    height_mm: float
    xy_mm: tuple[float, float]

    @property
    def mean_mm(self) -> float:
        """Mean of d along the ring."""
        return float(np.nanmean(self.d_mm))


@dataclass(frozen=True)
class CrownRelaxation:
    """Change of the crown and of the low inside it by a step; differences are after - before.

    ``start_mm``, ``end_mm``: highest d in the crown's band before and after; ``highest_mm``: their
    difference; ``mean_mm``: change of the mean along the ring found before; ``low_rise_mm``: change
    of d at the low's place. The two ratios are the rise of the low per mm by which the highest or
    the mean fell, ``None`` if it fell by less than 0.001 mm.
    """

    start_mm: float
    end_mm: float
    highest_mm: float
    mean_mm: float
    low_rise_mm: float
    rise_per_highest: float | None
    rise_per_mean: float | None


def crown_ring(field: SampledField, low: Spot, rays: int = CROWN_RAYS) -> CrownRing | None:
    """The crown around a low; ``None`` if d rises through zero in no direction.

    Rays start at the low's extreme. On each the crown is the highest d between the first rise
    through zero (the rim) and ``CROWN_REACH`` times that distance, or the end of the panel.
    """
    angle = np.linspace(0.0, 360.0, rays, endpoint=False)
    r, d = _along_rays(field, (low.x_mm, low.y_mm), angle)
    rim, ring, height = (np.full(rays, np.nan) for _ in range(3))
    for k in range(rays):
        # comparisons with NaN are false, so a ray that leaves the panel has no crossing there
        crossing = np.flatnonzero((d[k, :-1] < 0.0) & (d[k, 1:] >= 0.0))
        if crossing.size == 0:
            continue
        i = int(crossing[0])
        # zero of the straight line through the two samples
        rim[k] = r[i] + (r[i + 1] - r[i]) * d[k, i] / (d[k, i] - d[k, i + 1])
        band = np.where((r >= rim[k]) & (r <= CROWN_REACH * rim[k]), d[k], np.nan)
        if np.isnan(band).all():
            rim[k] = np.nan
            continue
        top = int(np.nanargmax(band))
        ring[k], height[k] = r[top], d[k, top]
    if np.isnan(height).all():
        return None
    best = int(np.nanargmax(height))
    toward = np.radians(angle[best])
    return CrownRing(
        centre_mm=(low.x_mm, low.y_mm),
        low_mm=low.height_mm,
        angle_deg=angle,
        rim_mm=rim,
        ring_mm=ring,
        d_mm=height,
        height_mm=float(height[best]),
        xy_mm=(
            float(low.x_mm + ring[best] * np.cos(toward)),
            float(low.y_mm + ring[best] * np.sin(toward)),
        ),
    )


def _along_rays(
    field: SampledField, centre: tuple[float, float], angle_deg: Array
) -> tuple[Array, Array]:
    """Distances r (m,) and d (rays, m) along rays; NaN beyond the end of the panel."""
    step = 0.25 * min(field.step_mm)
    reach = float(np.hypot(np.ptp(field.x_mm), np.ptp(field.y_mm)))
    r = np.arange(0.0, reach, step)
    toward = np.radians(angle_deg)[:, None]
    x, y = centre[0] + r * np.cos(toward), centre[1] + r * np.sin(toward)
    spline = _spline(field)
    column = np.rint((x - field.x_mm[0]) / field.step_mm[0]).astype(int)
    row = np.rint((y - field.y_mm[0]) / field.step_mm[1]).astype(int)
    ny, nx = field.d_mm.shape
    on = (x >= field.x_mm[0]) & (x <= field.x_mm[-1])
    on &= (y >= field.y_mm[0]) & (y <= field.y_mm[-1])
    on &= field.on_panel[np.clip(row, 0, ny - 1), np.clip(column, 0, nx - 1)]
    # after the first place off the panel a ray has ended, even if it enters the panel again
    on = np.logical_and.accumulate(on, axis=1)
    d = np.full(x.shape, np.nan)
    d[on] = spline(x[on], y[on], grid=False)
    return r, d


def _spline(field: SampledField) -> RectBivariateSpline:
    """Interpolating spline of a field, bicubic if the grid has enough lines."""
    d = np.where(field.on_panel, field.d_mm, 0.0)
    orders = {"kx": min(3, len(field.x_mm) - 1), "ky": min(3, len(field.y_mm) - 1)}
    return RectBivariateSpline(field.x_mm, field.y_mm, d.T, s=0, **orders)


def highest_in_band(field: SampledField, ring: CrownRing) -> float:
    """Highest d [mm] in the crown's band of ``ring``, from its rims to `CROWN_REACH` rims."""
    r, d = _along_rays(field, ring.centre_mm, ring.angle_deg)
    band = (r >= ring.rim_mm[:, None]) & (r <= CROWN_REACH * ring.rim_mm[:, None])
    return float(np.nanmax(np.where(band, d, np.nan)))


def crown_relaxation(
    before: SampledField, after: SampledField, ring: CrownRing
) -> CrownRelaxation:
    """Change of the crown ``ring``, found in ``before``, and of the low inside it."""
    known = np.isfinite(ring.ring_mm)
    toward = np.radians(ring.angle_deg[known])
    x = ring.centre_mm[0] + ring.ring_mm[known] * np.cos(toward)
    y = ring.centre_mm[1] + ring.ring_mm[known] * np.sin(toward)
    old, new = _spline(before), _spline(after)
    start, end = highest_in_band(before, ring), highest_in_band(after, ring)
    mean = float(np.mean(new(x, y, grid=False) - old(x, y, grid=False)))
    rise = float(new(*ring.centre_mm, grid=False) - old(*ring.centre_mm, grid=False))
    return CrownRelaxation(
        start_mm=start,
        end_mm=end,
        highest_mm=end - start,
        mean_mm=mean,
        low_rise_mm=rise,
        # divided by the fall of the crown, which is its change with the sign reversed
        rise_per_highest=rise / (start - end) if start - end > 1e-3 else None,
        rise_per_mean=-rise / mean if mean < -1e-3 else None,
    )
