"""How well readings determine the field through them, and where to measure next.

With the coefficients a and the matrix G of `simkit.dent.thin_plate` the error of the field is
estimated as that of a random field whose covariance is the spline's kernel (Wahba 1990: MEMORY):

    variance at x              s^2 (K(x, x) - k^T w + l^T P(x))     [w; l] = M^-1 [k; P(x)]
    scale around x             s^2 = sum v_i (a_i / G_ii)^2 / sum v_i / G_ii

M is the kernel matrix bordered by the polynomials, k the kernel between x and the readings. The
weight v_i decreases with the distance of reading i, so that the estimated error is largest in gaps
beside readings that fit badly.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from scipy.linalg import lu_factor, lu_solve
from scipy.spatial.distance import cdist

from simkit.dent.field import Array, Quality
from simkit.dent.hull import anchor_distance, distance_to_hull, distance_to_sides
from simkit.dent.outlines import Ridge, ridge_values
from simkit.dent.points import GaugePoints

CANDIDATES_PER_SIDE = 45
# Advice: at most 3 places, each with at least 0.3 of the largest expected error.
MOST_PLACES = 3
WORTH_OF_LARGEST = 0.3


class Spline(Protocol):
    """Attributes of a fitted spline from which the next places are computed."""

    @property
    def places(self) -> Array:
        """(n, 2) places of the readings, scaled."""
        ...

    @property
    def ridges(self) -> tuple[Ridge, ...]:
        """Functions along creases."""
        ...

    @property
    def ridge_weight(self) -> float:
        """Their weight in the kernel."""
        ...

    @property
    def scale_mm(self) -> float:
        """Length [mm] that is 1 in ``places``."""
        ...

    @property
    def smoothing(self) -> float:
        """lambda."""
        ...


def quality_of(
    points: GaugePoints, hull: Array, noise_mm: float, residual: Array, a: Array, g: Array
) -> Quality:
    """Errors of a fit: residuals (n, ...), coefficients ``a`` and matrix G, readings first."""
    # A point on the rim of the hull is extrapolated when left out: judge only the inner ones
    # where there are enough of them.
    n = len(points.d_mm)
    left_out = a[:n] / np.diag(g)[:n]
    depth_in_hull = distance_to_sides(points.xy_mm, hull)
    inner = depth_in_hull > 1e-6 * np.ptp(points.xy_mm)
    judged = inner & points.read
    judged = judged if judged.sum() >= 6 else points.read
    index = np.flatnonzero(judged)
    worst = index[np.argmax(np.abs(left_out[index]))]
    edge = float(np.abs(points.d_mm[~inner]).max())
    peak = float(np.abs(points.d_mm).max())
    notes = []
    if edge > max(4.0 * noise_mm, 0.1 * peak):
        notes.append(
            f"the outermost points still read {edge:.2f} mm: measure further out, "
            "the field is closed to zero there by assumption"
        )
    rms = float(np.sqrt(np.mean(left_out[index] ** 2)))
    if abs(left_out[worst]) > max(6.0 * rms, 6.0 * noise_mm) or rms > 0.25 * peak:
        notes.append(
            f"the reading of {points.where(worst)} departs by "
            f"{left_out[worst]:+.2f} mm from what its neighbours say: measure it again, "
            "or add points round it"
        )
    return Quality(
        n_data=int(points.read.sum()),
        rms_misfit_mm=float(np.sqrt(np.mean(residual[:n][points.read] ** 2))),
        rms_left_out_mm=rms,
        worst_left_out_mm=float(left_out[worst]),
        worst_xy_mm=(float(points.xy_mm[worst, 0]), float(points.xy_mm[worst, 1])),
        worst_line=int(points.line[worst]),
        worst_place=points.where(int(worst)),
        edge_mm=edge,
        rms_section_out_mm=_sections_out(points, a, g),
        notes=tuple(notes),
    )


def left_out_rms(points: GaugePoints, a: Array, g: Array) -> float:
    """rms error of readings predicted without themselves, sections without the whole section."""
    single = points.read & np.array([s.kind == "points" for s in points.sources])[points.source]
    n = len(points.d_mm)
    squares = [((a[:n] / np.diag(g)[:n])[single]) ** 2]
    squares += [error**2 for error in _section_errors(points, a, g)]
    return float(np.sqrt(np.mean(np.concatenate(squares))))


def _section_errors(points: GaugePoints, a: Array, g: Array) -> list[Array]:
    """Errors of the readings of each section, predicted without that section."""
    errors = []
    for k, source in enumerate(points.sources):
        own = np.flatnonzero(points.source == k)
        if source.kind == "section" and own.size:
            errors.append(np.asarray(np.linalg.solve(g[np.ix_(own, own)], a[own]), dtype=float))
    return errors


def _sections_out(points: GaugePoints, a: Array, g: Array) -> float | None:
    """rms error of the sections' readings when each section is left out as a whole."""
    errors = _section_errors(points, a, g)
    return float(np.sqrt(np.mean(np.concatenate(errors) ** 2))) if errors else None


def next_places(
    points: GaugePoints, hull: Array, spline: Spline, matrix: Array, a: Array, g: Array,
    noise_mm: float,
) -> tuple[tuple[float, float, float], ...]:
    """Places with the largest expected error: (x, y, expected error) [mm], the largest first.

    Empty if the expected error is below the noise everywhere.
    """
    reach = anchor_distance(points.xy_mm)
    low, high = points.xy_mm.min(axis=0), points.xy_mm.max(axis=0)
    x, y = (np.linspace(low[i], high[i], CANDIDATES_PER_SIDE) for i in range(2))
    xy = np.column_stack([v.ravel() for v in np.meshgrid(x, y)])
    xy = xy[distance_to_hull(xy, hull) == 0.0]
    error = np.sqrt(_variance(xy, spline, matrix) * _scale(xy, points, a, g, reach))
    found: list[tuple[float, float, float]] = []
    while error.max() > max(noise_mm, 1e-6) and len(found) < MOST_PLACES:
        best = int(np.argmax(error))
        if found and error[best] < WORTH_OF_LARGEST * found[0][2]:
            break
        found.append((float(xy[best, 0]), float(xy[best, 1]), float(error[best])))
        # A reading at the place found also determines its surroundings: choose the next place away.
        error = np.where(np.hypot(*(xy - xy[best]).T) < 1.5 * reach, 0.0, error)
    return tuple(found)


def _scale(xy: Array, points: GaugePoints, a: Array, g: Array, reach: float) -> Array:
    """s^2 (m,) at places from the left-out errors, Gaussian weights of standard deviation reach."""
    read = np.flatnonzero(points.read)
    free = 1.0 / np.diag(g)[read]
    weight = np.exp(-0.5 * (cdist(xy, points.xy_mm[read]) / reach) ** 2) + 1e-12
    return np.asarray(weight @ (a[read] * free) ** 2 / (weight @ free))


def _variance(xy: Array, spline: Spline, matrix: Array) -> Array:
    """Variance (m,) of the field at places (m, 2) for s = 1."""
    n = len(spline.places)
    plane = np.column_stack([np.ones(n), spline.places])
    bordered = np.zeros((n + 3, n + 3))
    bordered[:n, :n] = matrix + spline.smoothing * np.eye(n)
    bordered[:n, n:], bordered[n:, :n] = plane, plane.T
    at = xy / spline.scale_mm
    r = cdist(at, spline.places)
    # The kernel is zero at r = 0, so K(x, x) has only the part of the ridges, `own`.
    k = r**2 * np.log(np.where(r > 0.0, r, 1.0))
    own = np.zeros(len(xy))
    if spline.ridges:
        b = ridge_values(spline.ridges, spline.places * spline.scale_mm)
        rows = ridge_values(spline.ridges, xy)
        k += spline.ridge_weight * rows @ b.T
        own = spline.ridge_weight * (rows**2).sum(axis=1)
    right = np.hstack([k, np.ones((len(xy), 1)), at])
    solved = lu_solve(lu_factor(bordered), right.T).T
    return np.clip(own - (right * solved).sum(axis=1), 0.0, None)
