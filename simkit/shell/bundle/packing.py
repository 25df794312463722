"""Element data in the memory order of :mod:`simkit.shell.bundle`.

The numbers of eight neighbours along v stand side by side, and all data of a bundle are contiguous.
"""

from __future__ import annotations

import numba as nb
import numpy as np
from numpy.typing import NDArray

from simkit.kernels.simd import LANES, aligned
from simkit.material.j2 import BACKSTRESS_OFFSET, flow_stress
from simkit.shell.geometry import Geometry

Array = NDArray[np.float64]
GAUSS = 4
"""Gauss points of an element, 2 x 2."""
GEO_ROWS = 16
"""Rows of packed geometry: metric 3, curvature 3, frame 9, area 1."""
SHAPE_ROWS = 18
"""Rows of packed v shape values: 2 Gauss points, 3 functions, 3 derivatives."""
STATE_ROWS = 8
"""Rows of packed state: plastic strain 3, backstress 3, square of the flow stress, plastic work."""


def bundles_fit(degree: int, geometry: Geometry) -> bool:
    """Whether the bundle kernel supports this discretisation (degree 2, 2 x 2 Gauss points)."""
    return degree == 2 and geometry.points == GAUSS


def padded(values: Array) -> Array:
    """The values flat, followed by zeros, so that a vector may be loaded from the last on."""
    return np.concatenate([values.ravel(), np.zeros(LANES)])


@nb.njit(cache=True)
def bundles_along(count_v):
    """Number of bundles in a row of count_v elements along v; the last may have idle lanes."""
    return -(-count_v // LANES)


def _in_lanes(values: Array, count_v: int) -> Array:
    """Values (..., elements along v) as bundles (bundles, ..., lanes), filled up with zeros."""
    bundles = bundles_along(count_v)
    room = np.zeros((*values.shape[:-1], bundles * LANES))
    room[..., :count_v] = values
    return np.moveaxis(room.reshape(*values.shape[:-1], bundles, LANES), -2, 0)


def _on_line(values: Array) -> Array:
    """The values flat, in memory that begins on a cache line."""
    flat = aligned(values.size)
    flat[:] = values.ravel()
    return flat


def pack_geometry(geometry: Geometry) -> tuple[Array, Array]:
    """Geometry (rows along u, bundles, 4, 16, lanes) and v shape values (bundles, 2, 3, 3, lanes),
    flat."""
    rows = np.concatenate([
        geometry.metric, geometry.curvature,
        geometry.frame.reshape(geometry.elements, GAUSS, 9), geometry.area[:, :, None]], axis=2)
    count_v = geometry.shape_v.shape[0]
    by_row = rows.reshape(-1, count_v, GAUSS, GEO_ROWS).transpose(0, 2, 3, 1)
    geo = np.moveaxis(_in_lanes(by_row, count_v), 0, 1)
    return _on_line(geo), _on_line(_in_lanes(geometry.shape_v.transpose(1, 2, 3, 0), count_v))


def room_for_state(elements: int, count_v: int, layers: int) -> Array:
    """Zeros for packed states (rows along u, bundles, 4, layers, 8, lanes), flat."""
    room = aligned(elements // count_v * bundles_along(count_v) * GAUSS * layers
                   * STATE_ROWS * LANES)
    room[:] = 0.0
    return room


@nb.njit(cache=True, nogil=True)
def pack_state(points, listed, count_v, law, falls, packed):
    """Write the states of the listed elements to their lanes of ``packed``, see ``STATE_ROWS``.

    points (elements, 4, layers, numbers); ``falls``: the modulus falls with plastic strain, so that
    layers with any are marked as yielding whatever their stress. The flow stress is stored times
    1 + 1e-12, the same threshold of yielding as in :func:`simkit.material.j2.update_point`.
    """
    kind, terms = int(law[2]), int(law[3])
    layers, bundles = points.shape[2], bundles_along(count_v)
    for el in listed:
        eu, ev = el // count_v, el % count_v
        first = (eu * bundles + ev // LANES) * GAUSS
        for gp in range(GAUSS):
            for layer in range(layers):
                p = points[el, gp, layer]
                at = ((first + gp) * layers + layer) * STATE_ROWS * LANES + ev % LANES
                for r in range(3):
                    packed[at + r * LANES] = p[r]
                    back = 0.0
                    for term in range(terms):
                        back += p[BACKSTRESS_OFFSET + 3 * term + r]
                    packed[at + (3 + r) * LANES] = back
                flow, _ = flow_stress(kind, law, p[3])
                flow *= 1.0 + 1e-12
                packed[at + 6 * LANES] = -2.0 if falls and p[3] > 0.0 else flow * flow
                packed[at + 7 * LANES] = p[4]
