"""Springs that represent held slopes, guided edges and elastic edges."""

from __future__ import annotations

import numpy as np

from simkit.panel.edges import Edge
from simkit.shell.layout import element_points
from simkit.shell.springs import SpringSet
from simkit.spline.patch import Patch

HELD_ROTATION_FACTOR = 1e4
"""Stiffness of a held rotation (penalty), in units of D / element size.

The remaining rotation is about 1e-4 of the rotation of one element under the edge moment.
"""


def edge_springs(
    patch: Patch, edges: dict[str, Edge], bending: float, membrane: float
) -> list[SpringSet]:
    """Springs along the sides; ``bending`` is D = E t^3 / 12 (1 - nu^2), N mm,
    ``membrane`` E t, N/mm.

    They act on displacements, not positions, with zero rest, to keep rounding errors small.
    """
    sets = []
    for side, edge in edges.items():
        if edge.pole:
            continue
        el, shape, slope, normal, across, length, size = _edge_points(patch, side)
        zero = np.zeros((el.size, 3))
        if edge.spring_N_per_mm2 > 0.0:
            stiffness = edge.spring_N_per_mm2 * length[:, None, None] * np.eye(3)
            sets.append(SpringSet(el, shape, stiffness, zero, normal))
        if edge.guided:
            stiffness = (HELD_ROTATION_FACTOR * membrane / size * length)[:, None, None] * (
                across[:, :, None] * across[:, None, :])
            sets.append(SpringSet(el, shape, stiffness, zero, normal))
        turning = HELD_ROTATION_FACTOR * bending / size if edge.rotation_held else edge.rotation_N
        if np.any(np.asarray(turning) > 0.0):
            stiffness = (turning * length)[:, None, None] * normal[:, :, None] * normal[:, None, :]
            sets.append(SpringSet(el, slope, stiffness, zero, normal))
    return sets


def _edge_points(patch: Patch, side: str):
    """Quadrature along a side, sorted by element.

    Returns element (m,); shape values (m, n_e); their derivatives across the edge by length,
    1/mm; unit normal (m, 3); unit vector in the surface across the edge (m, 3); weight, mm; element
    size across the edge, mm.
    """
    along_v = side in ("left", "right")
    basis = patch.basis_v if along_v else patch.basis_u
    across = patch.basis_u if along_v else patch.basis_v
    points, weights, _ = basis.gauss(patch.degree + 1)
    s = points.ravel()
    end = across.breaks[0] if side in ("left", "bottom") else across.breaks[-1]
    fixed = np.full(s.size, end)
    u, v = (fixed, s) if along_v else (s, fixed)
    eu, bu = patch.basis_u.local(u)
    ev, bv = patch.basis_v.local(v)
    element = eu * patch.basis_v.elements + ev

    def product(a: int, b: int):
        return (bu[:, :, None, a] * bv[:, None, :, b]).reshape(s.size, -1)

    cps = element_points(patch)[element]
    x1 = np.einsum("mk,mkc->mc", product(1, 0), patch.control[cps])
    x2 = np.einsum("mk,mkc->mc", product(0, 1), patch.control[cps])
    cross = np.cross(x1, x2)
    jac = np.linalg.norm(cross, axis=1)
    normal = cross / jac[:, None]
    tangent, inward = (x2, x1) if along_v else (x1, x2)
    speed = np.linalg.norm(tangent, axis=1)
    t = tangent / speed[:, None]
    # parameter lines need not meet at right angles: remove the part along the edge
    skew = (inward * t).sum(1)
    reach = np.sqrt(np.maximum((inward * inward).sum(1) - skew**2, 1e-300))
    d_across, d_along = product(1, 0), product(0, 1)
    if not along_v:
        d_across, d_along = d_along, d_across
    slope = (d_across - (skew / speed)[:, None] * d_along) / reach[:, None]
    cell = across.breaks[1] - across.breaks[0] if side in ("left", "bottom") else (
        across.breaks[-1] - across.breaks[-2])
    size = reach * cell
    # an element much smaller than the others would make its penalty needlessly stiff
    size = np.maximum(size, np.median(size))
    order = np.argsort(element, kind="stable")
    length = weights.ravel() * speed
    return (element[order], product(0, 0)[order], slope[order], normal[order],
            np.cross(t, normal)[order], length[order], size[order])
