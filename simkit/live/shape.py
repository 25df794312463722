"""The panel as the page draws it: points, exact normals and deviations on a grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from simkit.mechanics.model import Model, State
from simkit.panel.surface import Window

Array = NDArray[np.float64]
FINE_LINES, COARSE_LINES = 110, 14
"""Grid lines across the damage and on each side of it: enough for smooth lamp lines."""


@dataclass(frozen=True)
class Shape:
    """Evaluation of the mid-surface on a grid of the patch.

    Attributes
    ----------
    rows, columns : grid size. value, along_u, along_v : (points, control points) position and its
        derivatives. control_mm : undamaged control points. normal : (points, 3), undamaged.
    """

    rows: int
    columns: int
    value: sp.csr_matrix
    along_u: sp.csr_matrix
    along_v: sp.csr_matrix
    control_mm: Array
    normal: Array

    def points(self, displacement: Array) -> Array:
        """Positions (points, 3), mm."""
        return self.value @ (self.control_mm + displacement)

    def normals(self, displacement: Array) -> Array:
        """Unit normals (points, 3), exact for the B-spline surface, outward."""
        moved = self.control_mm + displacement
        normal = np.cross(self.along_u @ moved, self.along_v @ moved)
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-30)
        # One sign for the whole panel: that of the undamaged outward normals.
        return normal if np.sum(normal * self.normal) >= 0.0 else -normal

    def deviation(self, displacement: Array) -> Array:
        """Deviation along the undamaged normal (points,), mm."""
        return np.sum((self.value @ displacement) * self.normal, axis=1)

    def packed(self, state: State) -> bytes:
        """Per point x, y, z, normal x, y, z, deviation as little-endian 32-bit floats."""
        data = np.concatenate([self.points(state.displacement),
                               self.normals(state.displacement),
                               self.deviation(state.displacement)[:, None]], axis=1)
        return data.astype("<f4").tobytes()


def make_shape(model: Model, window: Window,
               extent: tuple[float, float, float, float]) -> Shape:
    """Grid over a panel, fine across the damage; ``extent``: x from, to, y from, to, mm."""
    x = _lines(extent[0], extent[1], window.x_from, window.x_to)
    y = _lines(extent[2], extent[3], window.y_from, window.y_to)
    patch = model.patch
    xx, yy = np.meshgrid(x, y)
    u, v, inside = patch.locate(xx.ravel(), yy.ravel())
    if not inside.all():  # a disc: its own parameter lines cover it
        lines = np.linspace(0.0, 1.0, FINE_LINES)
        span_u, span_v = _span(patch.basis_u.knots), _span(patch.basis_v.knots)
        uu, vv = np.meshgrid(span_u[0] + lines * (span_u[1] - span_u[0]),
                             span_v[0] + lines * (span_v[1] - span_v[0]))
        xx, u, v = uu, uu.ravel(), vv.ravel()
    normal = patch.normals(u, v)
    return Shape(xx.shape[0], xx.shape[1], patch.evaluation(u, v), patch.evaluation(u, v, 1, 0),
                 patch.evaluation(u, v, 0, 1), patch.control, normal)


def _lines(low: float, high: float, a: float, b: float) -> Array:
    a, b = max(low, a), min(high, b)
    parts = [np.linspace(a, b, FINE_LINES)]
    if a - low > 1e-6 * (high - low):
        parts.insert(0, np.linspace(low, a, COARSE_LINES)[:-1])
    if high - b > 1e-6 * (high - low):
        parts.append(np.linspace(b, high, COARSE_LINES)[1:])
    return np.concatenate(parts)


def _span(knots: Array) -> tuple[float, float]:
    return float(knots[0]), float(knots[-1])
