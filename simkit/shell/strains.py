"""Strains of the deformed shell at its Gauss points, for reports and limits."""

from __future__ import annotations

import numba as nb
import numpy as np
from numpy.typing import NDArray

from simkit.shell.geometry import Geometry
from simkit.shell.kernels import base_vectors, dual_base

Array = NDArray[np.float64]


def shell_strains(x: Array, count_v: int, elements_v: int, geometry: Geometry) -> Array:
    """Membrane and bending strains (elements, points, 6) in (s, d, g); bending per mm.

    x: control points of the deformed sheet, (n, 3), mm.
    """
    g = geometry
    out = np.empty((*g.area.shape, 6))
    _strains(x, count_v, elements_v, g.shape_u, g.shape_v, g.metric, g.curvature, g.frame, out)
    return out


def face_strain(strains: Array, offset_mm: float) -> Array:
    """Largest in-plane principal Green-Lagrange strain at a height, (elements, points)."""
    e = strains[..., :3] + offset_mm * strains[..., 3:]
    return 0.5 * e[..., 0] + 0.5 * np.hypot(e[..., 1], e[..., 2])


@nb.njit(cache=True)
def _strains(x, count_v, elements_v, su, sv, metric, curvature, frames, out):
    p1, g = su.shape[2], su.shape[1]
    shape, place = np.empty((6, p1 * p1)), np.empty((6, 3))
    a3, up, b = np.empty(3), np.empty((2, 3)), np.empty(3)
    d, k = np.empty(3), np.empty(3)
    for el in range(metric.shape[0]):
        eu, ev = el // elements_v, el % elements_v
        for gp in range(g * g):
            base_vectors(x, eu, ev, count_v, su[eu, gp // g], sv[ev, gp % g], shape, place)
            a11, a22, a12, _1, _2, _3 = dual_base(place, a3, up, b)
            d[0] = 0.5 * (a11 - metric[el, gp, 0])
            d[1] = 0.5 * (a22 - metric[el, gp, 1])
            d[2] = 0.5 * (a12 - metric[el, gp, 2])
            for r in range(3):
                k[r] = curvature[el, gp, r] - b[r]
            for r in range(3):
                out[el, gp, r] = 0.0
                out[el, gp, 3 + r] = 0.0
                for c in range(3):
                    out[el, gp, r] += frames[el, gp, r, c] * d[c]
                    out[el, gp, 3 + r] += frames[el, gp, r, c] * k[c]
