"""Thin-plate spline through scattered readings, smoothed according to their noise.

The spline minimises sum (d_i - f(x_i))^2 + lambda * bending energy (Duchon 1977; Wahba 1990,
"Spline Models for Observational Data": MEMORY). With kernel matrix K (r^2 log r), linear
polynomials P, and Q spanning the null space of P^T, the coefficients are a = G d with
G = Q (Q^T K Q + lambda I)^-1 Q^T. Then

    residual                   d - f = lambda a
    noise the fit implies      sigma^2 = lambda sum a_i^2 / sum G_ii
    reading left out           d_i - f_without_i(x_i) = a_i / G_ii
    section B left out         d_B - f_without_B(x_B) = G_BB^-1 a_B

`lambda` is the one with the least rms error of left-out readings, but never more than where
the implied noise equals the stated one. Tried on invented dents (60 to 220 points, noise 0.01
to 0.1 mm): the second rule alone makes the bottom too flat, by 0.03 mm of 4 mm at a noise of
0.02 mm, because the implied noise also contains the misfit of the steep flanks. Two rings of zeros
outside the hull of the readings represent the undamaged panel, and a smooth window brings the
field to exactly zero.

Along creases tau B B^T is added to the kernel, with the ridge functions B of
`simkit.dent.outlines`: a smooth surface plus ridges whose slopes follow from the readings. tau and
the ridges' width are those with the least error of left-out readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.spatial import ConvexHull
from scipy.spatial.distance import cdist

from simkit.dent.field import Array, Quality
from simkit.dent.hull import anchor_distance, distance_to_hull, ring_outside, smooth_step
from simkit.dent.outlines import ASSUMED_RADIUS_MM, Outline, Ridge, ridge_of, ridge_values
from simkit.dent.points import GaugePoints
from simkit.dent.quality import left_out_rms, next_places, quality_of

CHUNK_ENTRIES = 2_000_000
RIDGE_WEIGHTS = (1e-1, 1.0, 1e1)
RIDGE_WIDTH_SHARES = (0.15, 0.3)
RIDGE_LENGTH_SHARES = (0.2, 1.0, 5.0)
"""Values that are tried: weights tau; widths and correlation lengths over the hull's diameter."""
CREASE_FITS = 4
"""Number of fits in which the rounding is corrected until a crease has the radius given."""


@dataclass(frozen=True)
class ThinPlate:
    """Field of a fitted thin-plate spline, zero beyond ``reach_mm`` outside the hull.

    ``hull_mm`` (m, 2) corners counter-clockwise, ``smoothing`` lambda (lengths scaled by
    ``scale_mm``), ``quality`` the fit's errors. ``places`` (n, 2) scaled, ``weights`` (n,) and
    ``plane`` (3,) of the spline, ``ridges``, their ``heights`` (k,)
    and ``ridge_weight`` tau.
    """

    places: Array
    weights: Array
    plane: Array
    ridges: tuple[Ridge, ...]
    heights: Array
    ridge_weight: float
    scale_mm: float
    hull_mm: Array
    reach_mm: float
    smoothing: float
    quality: Quality

    def __call__(self, x: Array, y: Array) -> Array:
        """Deviation d [mm] at x, y [mm]."""
        xy = np.column_stack([np.ravel(x), np.ravel(y)])
        d = np.zeros(len(xy))
        outside = distance_to_hull(xy, self.hull_mm)
        near = np.flatnonzero(outside < self.reach_mm)
        step = max(1, CHUNK_ENTRIES // len(self.places))
        for part in np.split(near, np.arange(step, len(near), step)):
            window = 1.0 - smooth_step(outside[part] / self.reach_mm)
            d[part] = window * self._spline(xy[part])
        return d.reshape(np.shape(x))

    def _spline(self, xy: Array) -> Array:
        at = xy / self.scale_mm
        value = kernel(cdist(at, self.places)) @ self.weights + plane_of(at) @ self.plane
        if self.ridges:
            value += ridge_values(self.ridges, xy) @ self.heights
        return np.asarray(value)


def fit_thin_plate(
    points: GaugePoints, noise_mm: float, creases: Sequence[Outline] = ()
) -> ThinPlate:
    """Thin-plate spline through gauge points with a noise of ``noise_mm`` (0: exactly through).

    Sharp along ``creases``. Work grows with the cube of the number of points: 2 s at 1000, 10 s
    at 2000 (measured), nine times as much with creases.
    """
    hull = points.xy_mm[ConvexHull(points.xy_mm).vertices]
    reach = anchor_distance(points.xy_mm)
    anchors = np.vstack([ring_outside(hull, reach * factor, reach) for factor in (1.0, 1.5)])
    xy = np.vstack([points.xy_mm, anchors])
    d = np.concatenate([points.d_mm, np.zeros(len(anchors))])
    scale = float(np.ptp(points.xy_mm, axis=0).max())
    best = _best(xy, d, points, noise_mm, scale, _ridge_choices(creases, hull, reach))
    spline = _spline_of(best, xy / scale, scale, hull, reach)
    # The slopes of the flanks, and so the curvature at the bottom, are known only after a fit:
    # correct the rounding and fit again (fixed-point iteration).
    for _ in range(CREASE_FITS if creases else 0):
        ridges = tuple(_with_radius(spline, ridge, crease)
                       for ridge, crease in zip(best.ridges, creases, strict=True))
        best = _best(xy, d, points, noise_mm, scale, [ridges], (best.tau,))
        spline = _spline_of(best, xy / scale, scale, hull, reach)
    g = best.modes.inverse(best.smoothing)
    quality = quality_of(points, hull, noise_mm, best.smoothing * best.a, best.a, g)
    places = next_places(points, hull, spline, best.modes.kernel, best.a, g, noise_mm)
    return replace(spline, quality=replace(quality, next_places=places))


def _spline_of(fit: _Fit, places: Array, scale: float, hull: Array, reach: float) -> ThinPlate:
    return ThinPlate(places, fit.a, fit.plane, fit.ridges, fit.heights, fit.weight, scale, hull,
                     reach, fit.smoothing, Quality())


def kernel(r: Array) -> Array:
    """r^2 log r, 0 at r = 0; changes ``r`` in place to save memory."""
    r[r == 0.0] = 1.0
    value = np.log(r)
    value *= r
    value *= r
    return value


def plane_of(xy: Array) -> Array:
    """(n, 3) linear polynomials 1, x, y at places (n, 2)."""
    return np.column_stack([np.ones(len(xy)), xy])


@dataclass(frozen=True)
class _Fit:
    """One fit: its modes, lambda, coefficients, ridges and the error of left-out readings."""

    modes: _Modes
    smoothing: float
    a: Array
    plane: Array
    ridges: tuple[Ridge, ...]
    heights: Array
    tau: float
    weight: float
    left_out: float


def _best(xy: Array, d: Array, points: GaugePoints, noise_mm: float, scale: float,
          choices: Sequence[tuple[Ridge, ...]], taus: Sequence[float] = RIDGE_WEIGHTS) -> _Fit:
    """The fit with the least error of left-out readings among ridges and their weights."""
    fits, counted = [], np.flatnonzero(points.read)
    smooth = kernel(cdist(xy / scale, xy / scale))
    for ridges in choices:
        b = ridge_values(ridges, xy)
        # Scales tau so that 1 gives both parts of the kernel matrix a comparable size.
        unit = np.abs(smooth).sum() / max(float((b**2).sum()) * len(xy), 1e-300)
        for tau in taus if ridges else (0.0,):
            weight = tau * unit
            modes = _Modes.of(smooth + weight * b @ b.T, plane_of(xy / scale), d)
            smoothing = modes.smoothing_for(noise_mm, counted)
            a, _ = modes.coefficients(smoothing)
            # From (K + lambda I) a + P c = d: the plane's coefficients c are exact, not a fit.
            rest = d - modes.kernel @ a - smoothing * a
            plane = np.asarray(np.linalg.lstsq(plane_of(xy / scale), rest, rcond=None)[0])
            fits.append(_Fit(modes, smoothing, a, plane, ridges, weight * b.T @ a, tau, weight,
                             left_out_rms(points, a, modes.inverse(smoothing))))
    return min(fits, key=lambda fit: fit.left_out)


def _ridge_choices(
    creases: Sequence[Outline], hull: Array, reach: float
) -> list[tuple[Ridge, ...]]:
    if not creases:
        return [()]
    size = float(np.hypot(*np.ptp(hull, axis=0)))
    return [tuple(ridge_of(c, wide * size, reach, long * size) for c in creases)
            for wide in RIDGE_WIDTH_SHARES for long in RIDGE_LENGTH_SHARES]


def _with_radius(spline: ThinPlate, ridge: Ridge, crease: Outline) -> Ridge:
    """The ridge with its rounding corrected for the required radius at the sharpest place."""
    wanted = ASSUMED_RADIUS_MM if crease.radius_mm is None else crease.radius_mm
    a = ridge.rounding_mm
    middle, across = ridge.stations(101)
    d = [spline(*(middle + shift * a * across).T) for shift in (-0.3, 0.0, 0.3)]
    # Second difference across the bottom; the step 0.3 a stays inside the rounded width.
    curvature = float(np.abs(d[0] - 2.0 * d[1] + d[2]).max()) / (0.3 * a) ** 2
    return replace(ridge, rounding_mm=float(np.clip(
        a * np.clip(wanted * curvature, 0.1, 10.0), 0.05, 0.5 * ridge.width_mm)))


@dataclass(frozen=True)
class _Modes:
    """Eigenmodes of the spline's energy: one decomposition serves every lambda."""

    kernel: Array
    vectors: Array
    energies: Array
    share: Array

    @classmethod
    def of(cls, kernel: Array, plane: Array, d: Array) -> _Modes:
        # The last columns of Q span the null space of P^T.
        q = np.linalg.qr(plane, mode="complete")[0][:, plane.shape[1]:]
        energies, vectors = np.linalg.eigh(q.T @ kernel @ q)
        full = q @ vectors
        return cls(kernel, full, energies, full.T @ d)

    def inverse(self, smoothing: float) -> Array:
        """G (n, n)."""
        return (self.vectors / (self.energies + smoothing)) @ self.vectors.T

    def coefficients(self, smoothing: float) -> tuple[Array, Array]:
        """a (n,) and the diagonal of G (n,)."""
        weight = 1.0 / (self.energies + smoothing)
        return self.vectors @ (weight * self.share), (self.vectors**2) @ weight

    def implied_noise(self, smoothing: float, counted: NDArray[np.int64]) -> float:
        """Noise sigma implied by lambda, from the counted readings."""
        a, g = self.coefficients(smoothing)
        return float(np.sqrt(smoothing * (a[counted] @ a[counted]) / g[counted].sum()))

    def left_out(self, smoothing: float, counted: NDArray[np.int64]) -> float:
        """rms error of the counted readings when each is left out."""
        a, g = self.coefficients(smoothing)
        return float(np.sqrt(np.mean((a[counted] / g[counted]) ** 2)))

    def smoothing_for(self, noise_mm: float, counted: NDArray[np.int64]) -> float:
        """lambda for the counted readings with the noise ``noise_mm``, by the module's rule."""
        least, most = (float(self.energies[-1]) * f for f in (1e-12, 1e2))
        if noise_mm == 0.0:
            return 0.0
        tried = np.geomspace(least, most, 113)
        # The implied noise increases with lambda; the bound is where it equals the stated noise.
        above = np.flatnonzero([self.implied_noise(t, counted) > noise_mm for t in tried])
        if above.size:
            low, high = np.log(tried[max(above[0] - 1, 0)]), np.log(tried[above[0]])
            if low == high:
                return least
            bound = np.exp(brentq(
                lambda t: np.log(self.implied_noise(np.exp(t), counted) / noise_mm),
                low, high, xtol=1e-3,
            ))
            tried = np.append(tried[: above[0]], bound)
        return float(min(tried, key=lambda t: self.left_out(float(t), counted)))
