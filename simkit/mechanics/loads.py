"""Dead and follower loads proportional to a factor: area, pressure, points (sides: edge_loads).

Each load is prepared for a model once (``on``). It then adds ``-factor * load`` to the residual
(internal minus external forces) and the derivative of that to the tangent. Follower loads add the
symmetric part of their tangent. This is exact if the load has a potential, as for pressure inside a
held or symmetric rim, or a moment about a fixed axis.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numba as nb
import numpy as np
from numpy.typing import NDArray

from simkit.arguments import number, numbers
from simkit.mechanics.model import Model
from simkit.shell.kernels import scatter_upper

Array = NDArray[np.float64]
Where = Callable[[Array], Array]
"""Function of reference positions (n, 3), mm; returns the share of the load there, (n,)."""


class Acting(Protocol):
    """A load prepared for a model."""

    def add(self, model: Model, x: Array, factor: float, force: Array, data: Array,
            tangent: bool) -> None:
        """Subtract factor times the load at places x from force (control points, 3), and its
        derivative from the matrix data."""


class StaticLoad(Protocol):
    """A load as the user gives it."""

    def on(self, model: Model) -> Acting:
        """Prepare it for a model: quadrature points, weights, nodal forces."""


@dataclass(frozen=True)
class NodalForces:
    """Dead forces on control points, (control points, 3), N."""

    nodal: Array

    def on(self, model: Model) -> NodalForces:
        """See :class:`StaticLoad`."""
        return self

    def add(self, model: Model, x: Array, factor: float, force: Array, data: Array,
            tangent: bool) -> None:
        """See :class:`Acting`."""
        force -= factor * self.nodal


@dataclass(frozen=True)
class Loads:
    """Several loads under one factor."""

    loads: tuple[StaticLoad, ...]

    def on(self, model: Model) -> Acting:
        """See :class:`StaticLoad`."""
        return _Several(tuple(load.on(model) for load in self.loads))


@dataclass(frozen=True)
class _Several:
    acting: tuple[Acting, ...]

    def add(self, model: Model, x: Array, factor: float, force: Array, data: Array,
            tangent: bool) -> None:
        """See :class:`Acting`."""
        for acting in self.acting:
            acting.add(model, x, factor, force, data, tangent)


@dataclass(frozen=True)
class AreaLoad:
    """Dead load per reference area in a fixed direction, (3,) MPa, on the part ``where``."""

    per_area_MPa: Array
    where: Where | None = None

    def on(self, model: Model) -> NodalForces:
        """See :class:`StaticLoad`."""
        numbers("per_area_MPa", self.per_area_MPa, (3,))
        share = _area_weights(model, self.where, reference_area=True)
        per_point = np.einsum("eg,egk->ek", share, _products(model, 0, 0))
        nodal = np.zeros_like(model.patch.control)
        np.add.at(nodal, model.element_points, per_point[:, :, None] * np.asarray(
            self.per_area_MPa, dtype=float))
        return NodalForces(nodal)


@dataclass(frozen=True)
class PointLoad:
    """Dead force (3,) N at parameters (u, v)."""

    u: float
    v: float
    force_N: Array

    def on(self, model: Model) -> NodalForces:
        """See :class:`StaticLoad`."""
        numbers("force_N", self.force_N, (3,))
        shape = model.patch.evaluation(np.array([self.u]), np.array([self.v])).toarray()[0]
        return NodalForces(np.outer(shape, np.asarray(self.force_N, dtype=float)))


@dataclass(frozen=True)
class Pressure:
    """Pressure per current area, MPa, along the current normal x,u cross x,v; negative: against it.

    Virtual work p n . dx da = p (x,1 cross x,2) . dx dxi deta.
    """

    MPa: float
    where: Where | None = None

    def on(self, model: Model) -> Acting:
        """See :class:`StaticLoad`."""
        number("MPa", self.MPa)
        share = self.MPa * _area_weights(model, self.where, reference_area=False)
        return _ActingPressure(share, *(_products(model, *o) for o in ((0, 0), (1, 0), (0, 1))))


@dataclass(frozen=True)
class _ActingPressure:
    """Weights (elements, g) and shape values (elements, g, n_e): N, N,1, N,2."""

    weight: Array
    shape: Array
    shape_1: Array
    shape_2: Array

    def add(self, model: Model, x: Array, factor: float, force: Array, data: Array,
            tangent: bool) -> None:
        """See :class:`Acting`."""
        at = x[model.element_points]
        x1 = np.einsum("egk,ekc->egc", self.shape_1, at)
        x2 = np.einsum("egk,ekc->egc", self.shape_2, at)
        loaded = factor * self.weight[:, :, None] * self.shape
        np.add.at(force, model.element_points,
                  -np.einsum("egk,egc->ekc", loaded, np.cross(x1, x2)))
        if tangent:
            # D(x,1 x x,2) = N,2 (x,1 x Dx) - N,1 (x,2 x Dx)
            ke = -(np.einsum("egi,egj,egrc->eirjc", loaded, self.shape_2, spin(x1),
                             optimize=True)
                   - np.einsum("egi,egj,egrc->eirjc", loaded, self.shape_1, spin(x2),
                               optimize=True))
            scatter_symmetric(ke, np.arange(ke.shape[0]), model, data)


def _products(model: Model, a: int, b: int) -> Array:
    """Shape values (elements, g, n_e): a-th derivative by u, b-th by v."""
    basis = model.patch.basis_v
    g = model.geometry
    element = np.arange(g.elements)
    su = g.shape_u[element // basis.elements][..., a]
    sv = g.shape_v[element % basis.elements][..., b]
    return np.einsum("egi,ehj->eghij", su, sv).reshape(g.elements, g.points, -1)


def _area_weights(model: Model, where: Where | None, reference_area: bool) -> Array:
    """Quadrature weights (elements, g) times the share ``where``.

    The weights are reference areas, or areas in parameters if ``reference_area`` is False.
    """
    g = model.geometry
    weight = g.area.copy()
    if not reference_area:
        m = g.metric
        weight /= np.sqrt(m[..., 0] * m[..., 1] - m[..., 2] ** 2)
    if where is not None:
        share = numbers("where", where(g.place.reshape(-1, 3)), (weight.size,))
        weight *= share.reshape(weight.shape)
    return weight


def spin(a: Array) -> Array:
    """Matrices (..., 3, 3) with [a]x b = a cross b."""
    out = np.zeros((*a.shape, 3))
    out[..., 0, 1], out[..., 0, 2], out[..., 1, 2] = -a[..., 2], a[..., 1], -a[..., 0]
    return out - np.swapaxes(out, -1, -2)


def scatter_symmetric(ke: Array, element: NDArray[np.int64], model: Model, data: Array) -> None:
    """Add the symmetric part of matrices (m, n_e, 3, n_e, 3) to the matrix data."""
    size = ke.shape[1] * 3
    flat = ke.reshape(ke.shape[0], size, size)
    flat = 0.5 * (flat + flat.transpose(0, 2, 1))
    _scatter_all(np.ascontiguousarray(flat), element, model.layout.places, data)


@nb.njit(cache=True)
def _scatter_all(matrices, element, places, data):
    for k in range(matrices.shape[0]):
        scatter_upper(matrices[k], places[element[k]], data)
