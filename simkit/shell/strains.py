"""Strains of the deformed shell at its Gauss points, for reports and strain limits."""

from __future__ import annotations

import numba as nb
import numpy as np
from numpy.typing import NDArray

from simkit.shell.geometry import Geometry
from simkit.shell.kernels import dual_base

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
    """Largest in-plane principal Green-Lagrange strain at a height, (elements, points).

    strains (elements, points, 6) from :func:`shell_strains`; ``offset_mm`` from the mid-surface
    along the normal. The larger eigenvalue is (s + sqrt(d^2 + g^2)) / 2.
    """
    e = strains[..., :3] + offset_mm * strains[..., 3:]
    return 0.5 * e[..., 0] + 0.5 * np.hypot(e[..., 1], e[..., 2])


@nb.njit(cache=True)
def _strains(x, count_v, elements_v, su, sv, metric, curvature, frames, out):
    """Fill out (elements, points, 6); the other arrays are those of ElementGrid."""
    p1, g = su.shape[2], su.shape[1]
    place = np.empty((6, 3))
    a3, up, b = np.empty(3), np.empty((2, 3)), np.empty(3)
    d, k = np.empty(3), np.empty(3)
    for el in range(metric.shape[0]):
        eu, ev = el // elements_v, el % elements_v
        for gp in range(g * g):
            _derivatives(x, eu * count_v + ev, count_v, su, sv, eu, ev, gp // g, gp % g, p1, place)
            a11, a22, a12, _1, _2, _3 = dual_base(place, a3, up, b)
            d[0] = 0.5 * (a11 - metric[el, gp, 0])
            d[1] = 0.5 * (a22 - metric[el, gp, 1])
            d[2] = 0.5 * (a12 - metric[el, gp, 2])
            for r in range(3):
                k[r] = curvature[el, gp, r] - b[r]
            for r in range(3):
                membrane = bending = 0.0
                for c in range(3):
                    membrane += frames[el, gp, r, c] * d[c]
                    bending += frames[el, gp, r, c] * k[c]
                out[el, gp, r], out[el, gp, 3 + r] = membrane, bending


@nb.njit(cache=True)
def _derivatives(x, corner, count_v, su, sv, eu, ev, gu, gv, p1, place):
    """Set rows 1 to 5 of place (6, 3) to x,1 x,2 x,11 x,22 x,12 of one Gauss point.

    Sums over v first, then over u, which takes fewer products than the sum over all points.
    """
    for c in range(3):
        x1 = x2 = x11 = x22 = x12 = 0.0
        for i in range(p1):
            y = y2 = y22 = 0.0
            at = corner + i * count_v
            for j in range(p1):
                value = x[at + j, c]
                y += sv[ev, gv, j, 0] * value
                y2 += sv[ev, gv, j, 1] * value
                y22 += sv[ev, gv, j, 2] * value
            x1 += su[eu, gu, i, 1] * y
            x2 += su[eu, gu, i, 0] * y2
            x11 += su[eu, gu, i, 2] * y
            x22 += su[eu, gu, i, 0] * y22
            x12 += su[eu, gu, i, 1] * y2
        place[1, c], place[2, c], place[3, c], place[4, c], place[5, c] = x1, x2, x11, x22, x12
