"""Loads along a side of the panel: dead line loads and follower edge moments."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import number, numbers
from simkit.errors import InputError
from simkit.mechanics.loads import Acting, NodalForces, scatter_symmetric, spin
from simkit.mechanics.model import Model
from simkit.panel.edges import SIDES
from simkit.shell.layout import element_points
from simkit.spline.patch import Patch

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LineLoad:
    """Dead force per reference length (3,) N/mm along a side (left, right, bottom, top)."""

    side: str
    per_length_N_per_mm: Array

    def on(self, model: Model) -> NodalForces:
        """See :class:`StaticLoad`."""
        numbers("per_length_N_per_mm", self.per_length_N_per_mm, (3,))
        edge = edge_quadrature(model.patch, self.side)
        nodal = np.zeros_like(model.patch.control)
        weight = edge.shape * edge.length[:, None]
        np.add.at(nodal, model.element_points[edge.element],
                  weight[:, :, None] * np.asarray(self.per_length_N_per_mm, dtype=float))
        return NodalForces(nodal)


@dataclass(frozen=True)
class EdgeMoment:
    """Moment per reference length, N mm/mm, that turns the sheet about its side.

    A follower moment: virtual work m dtheta, with dtheta = a3 . dx,n the rotation of the normal
    about the current edge and n the current unit vector in the surface, across the edge and
    outwards. A positive moment lifts the side towards the normal.
    """

    side: str
    per_length_N: float

    def on(self, model: Model) -> Acting:
        """See :class:`StaticLoad`."""
        number("per_length_N", self.per_length_N)
        return _ActingMoment(edge_quadrature(model.patch, self.side), self.per_length_N)


@dataclass(frozen=True)
class _ActingMoment:
    """An edge moment on a model.

    With t = x,t along the edge, s = x,s across it, n = x,1 x x,2 and l = |t|, the force on a
    control point is m (N,s l - N,t (s . t) / l) n / n^2 per length, times +1 or -1 for the side.
    """

    edge: EdgePoints
    per_length: float

    def add(self, model: Model, x: Array, factor: float, force: Array, data: Array,
            tangent: bool) -> None:
        """See :class:`Acting`."""
        edge = self.edge
        points = model.element_points[edge.element]
        at = x[points]
        along = np.einsum("mk,mkc->mc", edge.along, at)
        across = np.einsum("mk,mkc->mc", edge.across, at)
        normal = edge.turn * np.cross(across, along)
        n2 = (normal * normal).sum(1)
        length = np.linalg.norm(along, axis=1)
        skew = (along * across).sum(1)
        lever = edge.across * length[:, None] - edge.along * (skew / length)[:, None]
        weight = factor * self.per_length * edge.outward * edge.length
        pull = normal / n2[:, None]
        np.add.at(force, points, -(weight[:, None] * lever)[:, :, None] * pull[:, None, :])
        if not tangent:
            return
        by_length = along / length[:, None]
        # derivatives by Dx_J: of the length and of (s . t) / l
        d_length = edge.along[:, :, None] * by_length[:, None, :]
        d_skew = (edge.along[:, :, None] * across[:, None, :]
                  + edge.across[:, :, None] * along[:, None, :]) / length[:, None, None]
        d_skew -= (skew / length**2)[:, None, None] * d_length
        d_lever = (edge.across[:, :, None, None] * d_length[:, None]
                   - edge.along[:, :, None, None] * d_skew[:, None])
        d_normal = edge.turn * (
            np.einsum("mj,mrc->mjrc", edge.along, spin(across))
            - np.einsum("mj,mrc->mjrc", edge.across, spin(along)))
        d_n2 = 2.0 * np.einsum("mr,mjrc->mjc", normal, d_normal)
        d_pull = d_normal / n2[:, None, None, None]
        d_pull -= (normal / n2[:, None] ** 2)[:, None, :, None] * d_n2[:, :, None, :]
        ke = (np.einsum("mijc,mr->mirjc", d_lever, pull)
              + np.einsum("mi,mjrc->mirjc", lever, d_pull))
        scatter_symmetric(-weight[:, None, None, None, None] * ke, edge.element, model, data)


@dataclass(frozen=True)
class EdgePoints:
    """Quadrature along a side.

    Attributes
    ----------
    element : (m,) element of each point.
    shape, along, across : (m, n_e) shape values, their derivatives along the edge and across it
        (by the parameter).
    length : (m,) weight of each point, mm of the reference edge.
    outward : +1 if the parameter across the edge rises towards it, else -1.
    turn : +1 or -1, such that turn (across x along) is the surface's normal.
    """

    element: NDArray[np.int64]
    shape: Array
    along: Array
    across: Array
    length: Array
    outward: float
    turn: float


def edge_quadrature(patch: Patch, side: str) -> EdgePoints:
    """Quadrature of a side with degree + 1 Gauss points per element.

    Raises
    ------
    InputError : no such side.
    """
    if side not in SIDES:
        raise InputError(f"side '{side}'", "one of " + ", ".join(SIDES))
    u_across = side in ("left", "right")
    basis = patch.basis_v if u_across else patch.basis_u
    other = patch.basis_u if u_across else patch.basis_v
    points, weights, _ = basis.gauss(patch.degree + 1)
    s = points.ravel()
    outward = 1.0 if side in ("right", "top") else -1.0
    end = np.full(s.size, other.breaks[-1] if outward > 0 else other.breaks[0])
    u, v = (end, s) if u_across else (s, end)
    (eu, bu), (ev, bv) = patch.basis_u.local(u), patch.basis_v.local(v)

    def product(a: int, b: int) -> Array:
        return (bu[:, :, None, a] * bv[:, None, :, b]).reshape(s.size, -1)

    element = eu * patch.basis_v.elements + ev
    by_u, by_v = product(1, 0), product(0, 1)
    across, along = (by_u, by_v) if u_across else (by_v, by_u)
    speed = np.linalg.norm(
        np.einsum("mk,mkc->mc", along, patch.control[element_points(patch)[element]]), axis=1)
    return EdgePoints(element, product(0, 0), along, across, weights.ravel() * speed, outward,
                      1.0 if u_across else -1.0)
