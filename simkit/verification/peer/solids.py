"""Grids of solid elements for a sheet (layers through its thickness) and for the cap of a ball.

Both are regular grids of hexahedra with 8 nodes (order 1) or 20 nodes (order 2, no nodes inside
faces or elements). Node numbers start at 1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.panel.surface import Curvature

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Place = Callable[[Array, Array, Array], Array]
"""A map from grid coordinates a, b, c (n,), each 0 to the number of elements, to (n, 3), mm."""

CORNERS = np.array([(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0),
                    (0, 0, 1), (1, 0, 1), (1, 1, 1), (0, 1, 1)])
EDGES = ((0, 1), (1, 2), (2, 3), (3, 0), (4, 5), (5, 6), (6, 7), (7, 4),
         (0, 4), (1, 5), (2, 6), (3, 7))
"""Mid-side nodes 9 to 20 lie between these corners (numbering of CalculiX)."""


@dataclass(frozen=True)
class HexGrid:
    """Hexahedra on a regular grid.

    Attributes
    ----------
    place : (nodes, 3) mm.
    number : (2 na + 1, 2 nb + 1, 2 nc + 1) node number at grid coordinates in steps of 1/2; 0 where
        there is no node.
    elements : (na nb nc, 8 or 20) node numbers; element (i, j, k) is row (i nb + j) nc + k.
    order : 1 or 2.
    """

    place: Array
    number: Ints
    elements: Ints
    order: int

    @property
    def counts(self) -> tuple[int, int, int]:
        """Elements in each direction."""
        a, b, c = (n // 2 for n in self.number.shape)
        return a, b, c

    def element(self, i: Ints, j: Ints, k: int) -> Ints:
        """Numbers (from 1) of the elements at grid places."""
        _, nb, nc = self.counts
        return (i * nb + j) * nc + k + 1

    def nodes(self, where: tuple[slice | int, slice | int, slice | int]) -> Ints:
        """Node numbers in a part of ``number``, increasing."""
        found = np.atleast_1d(self.number[where]).ravel()
        return np.sort(found[found > 0])


def hex_grid(counts: tuple[int, int, int], order: int, place: Place) -> HexGrid:
    """Grid of ``counts`` elements whose nodes lie at ``place`` of their grid coordinates."""
    shape = tuple(2 * n + 1 for n in counts)
    at = np.moveaxis(np.indices(shape), 0, -1)
    # in half steps, a corner has no odd index, a mid-side one, a face two and the inside three
    odd = (at % 2).sum(axis=-1)
    is_node = odd <= order - 1
    number = np.zeros(shape, dtype=np.int64)
    number[is_node] = np.arange(1, is_node.sum() + 1)
    coordinates = at[is_node] / 2.0
    origin = 2 * np.moveaxis(np.indices(counts), 0, -1).reshape(-1, 3)
    steps = 2 * CORNERS
    if order == 2:
        steps = np.vstack([steps, [CORNERS[a] + CORNERS[b] for a, b in EDGES]])
    where = origin[:, None, :] + steps[None, :, :]
    elements = number[where[..., 0], where[..., 1], where[..., 2]]
    return HexGrid(place(*coordinates.T), number, elements, order)


def layered_panel(breaks_x: Array, breaks_y: Array, curvature: Curvature, thickness_mm: float,
                  layers: int, order: int) -> HexGrid:
    """Solid elements of a sheet: the mid-surface over a plan, extended along its normal by +-t/2.
    """
    def place(a: Array, b: Array, c: Array) -> Array:
        x = np.interp(a, np.arange(breaks_x.size), breaks_x)
        y = np.interp(b, np.arange(breaks_y.size), breaks_y)
        height = thickness_mm * (c / layers - 0.5)
        middle = np.stack([x, y, curvature.height(x, y)], axis=1)
        return middle + height[:, None] * panel_normal(curvature, x, y)

    return hex_grid((breaks_x.size - 1, breaks_y.size - 1, layers), order, place)


def panel_normal(curvature: Curvature, x: Array, y: Array) -> Array:
    """Outward unit normal of the undamaged panel at plan positions, (n, 3)."""
    if curvature.round_cap:
        slope = _arc_slope(np.hypot(x, y), curvature.radius_x_mm)
        r = np.maximum(np.hypot(x, y), 1e-300)
        sx, sy = slope * x / r, slope * y / r
    else:
        sx, sy = _arc_slope(x, curvature.radius_x_mm), _arc_slope(y, curvature.radius_y_mm)
    normal = np.stack([-sx, -sy, np.ones_like(sx)], axis=1)
    return normal / np.linalg.norm(normal, axis=1, keepdims=True)


def _arc_slope(r: Array, radius: float) -> Array:
    """dz/dr of the arc z = sqrt(R^2 - r^2) - R."""
    return np.zeros_like(r) if not np.isfinite(radius) else -r / np.sqrt(radius**2 - r**2)


def ball_cap(radius_mm: float, centre: Array, half_angle: float, elements: int) -> HexGrid:
    """Quarter (x, y >= 0) of a ball's lower cap, one element deep; its outer face is c = 1.

    Directions (tan p, tan q, -1) for angles p, q from 0 to ``half_angle`` (radians). This grid has
    almost equal elements and no degenerate ones, unlike one of meridians with a pole.
    """
    angle = np.linspace(0.0, half_angle, elements + 1)

    def place(a: Array, b: Array, c: Array) -> Array:
        # q runs along the grid's first direction so that the outer face is seen from outside
        p, q = (np.interp(s, np.arange(elements + 1.0), angle) for s in (b, a))
        direction = np.stack([np.tan(p), np.tan(q), -np.ones_like(p)], axis=1)
        direction /= np.linalg.norm(direction, axis=1, keepdims=True)
        return centre + (radius_mm * (0.8 + 0.2 * c))[:, None] * direction

    return hex_grid((elements, elements, 1), 2, place)


def smallest_jacobian(grid: HexGrid) -> float:
    """Smallest Jacobian determinant over the centres and corners of all elements, mm^3.

    Positive if no element is inverted. The trilinear map of the eight corners is used.
    """
    corner = grid.place[grid.elements[:, :8] - 1]
    least = np.inf
    for a, b, c in [*CORNERS.tolist(), (0.5, 0.5, 0.5)]:
        rows = []
        for axis in range(3):
            weight = np.ones(8)
            for d, s in enumerate((a, b, c)):
                up = CORNERS[:, d] == 1
                # derivative of a corner's shape function: factor +1 or -1 along the axis, else
                # s or 1 - s
                weight *= np.where(up, 1.0, -1.0) if d == axis else np.where(up, s, 1.0 - s)
            rows.append(np.einsum("k,ekc->ec", weight, corner))
        least = min(least, float(np.linalg.det(np.stack(rows, axis=1)).min()))
    return least
