"""Element data laid out for :mod:`simkit.shell.bundle`: neighbours along v side by side."""

from __future__ import annotations

import numba as nb
import numpy as np
from numpy.typing import NDArray

from simkit.sheet.j2 import BASE, flow_stress
from simkit.shell.geometry import Geometry
from simkit.solve.linear.simd import LANES

Array = NDArray[np.float64]
GAUSS = 4
GEO_ROWS = 16
"""Rows of packed geometry: metric 3, curvature 3, frame 9, area 1."""
STATE_ROWS = 8
"""Rows of packed state: plastic strain 3, backstress 3, square of the flow stress, plastic work."""


def bundles_fit(degree: int, geometry: Geometry) -> bool:
    """Whether the bundles' kernel knows the discretisation."""
    return degree == 2 and geometry.points == GAUSS


def padded(values: Array) -> Array:
    """The values one after another, with room for a vector that begins at the last."""
    return np.concatenate([values.ravel(), np.zeros(LANES)])


def pack_geometry(geometry: Geometry) -> tuple[Array, Array]:
    """Geometry (4, 16, elements) and v shape values (2, 3, 3, elements along v), padded."""
    rows = np.concatenate([
        geometry.metric, geometry.curvature,
        geometry.frame.reshape(geometry.elements, GAUSS, 9), geometry.area[:, :, None]], axis=2)
    return padded(rows.transpose(1, 2, 0)), padded(geometry.shape_v.transpose(1, 2, 3, 0))


@nb.njit(cache=True, nogil=True)
def pack_state(points, law, packed):
    """States, points (elements, 4, layers, numbers), into packed: (4, layers, 8, elements) and
    padding, flat. See ``STATE_ROWS``."""
    kind, terms = int(law[2]), int(law[3])
    elements, _, layers = points.shape[:3]
    for el in range(elements):
        for gp in range(GAUSS):
            for layer in range(layers):
                p = points[el, gp, layer]
                at = (gp * layers + layer) * STATE_ROWS * elements + el
                for r in range(3):
                    packed[at + r * elements] = p[r]
                    back = 0.0
                    for term in range(terms):
                        back += p[BASE + 3 * term + r]
                    packed[at + (3 + r) * elements] = back
                flow, _ = flow_stress(kind, law, p[3])
                flow *= 1.0 + 1e-12
                packed[at + 6 * elements] = flow * flow
                packed[at + 7 * elements] = p[4]
