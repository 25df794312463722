"""A state carried from a mesh to a finer one whose elements are parts of the first one's.

Displacements are carried exactly: a spline on the first mesh is a spline on the finer one too. The
state of the layer points is interpolated inside each element between its Gauss points and kept
within their range, so that no plastic strain appears where there was none. What this leaves out of
equilibrium is held by nodal forces that are then let go in steps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError
from simkit.mechanics.loads import NodalForces
from simkit.mechanics.model import Model, State
from simkit.mechanics.statics import solve_static
from simkit.spline.basis import Basis

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Refined:
    """A panel on the finer mesh, in equilibrium without tools.

    Attributes
    ----------
    state : on the finer mesh; converged : whether its equilibrium was found.
    moved_mm : largest displacement of a control point on the way to equilibrium.
    before_Nmm, carried_Nmm, after_Nmm : stored energy on the first mesh, on the finer one as
        carried over, and in equilibrium there.
    plastic_before_Nmm, plastic_after_Nmm : plastic work since the undeformed panel.
    """

    state: State
    converged: bool
    moved_mm: float
    before_Nmm: float
    carried_Nmm: float
    after_Nmm: float
    plastic_before_Nmm: float
    plastic_after_Nmm: float


def refined(coarse: Model, state: State, fine: Model) -> Refined:
    """The state of ``coarse`` on the mesh of ``fine``, let go to equilibrium.

    Raises
    ------
    InputError : tools are held; an element of ``fine`` crosses a border of ``coarse``; another
        degree or number of layers.
    """
    if state.standing:
        raise InputError("tools are held", "a free panel: let them down first")
    begin = carried(coarse, state, fine)
    first = coarse.internal(state.displacement, state, False)
    there = fine.internal(begin.displacement, begin, False)
    if first is None or there is None:
        return Refined(begin, False, np.nan, *[np.nan] * 5)
    corner = np.array([[fine.patch.basis_u.breaks[0], fine.patch.basis_v.breaks[0]]])
    settled = solve_static(fine, NodalForces(there.force), [0.0], corner, state=begin, start=1.0)
    end = settled.state
    after = fine.internal(end.displacement, end, False)
    moved = np.linalg.norm(end.displacement - begin.displacement, axis=1).max()
    return Refined(
        replace(end, since=None), settled.converged and after is not None, float(moved),
        first.stored, there.stored, np.nan if after is None else after.stored,
        first.plastic_work, np.nan if after is None else after.plastic_work)


def carried(coarse: Model, state: State, fine: Model) -> State:
    """The state on the finer mesh, not yet in equilibrium.

    Raises
    ------
    InputError : meshes that do not fit, see :func:`refined`.
    """
    a, b = coarse.patch, fine.patch
    if a.degree != b.degree or coarse.layers.heights.size != fine.layers.heights.size:
        raise InputError("another degree or number of layers", "those of the first mesh")
    moved = b.interpolated(lambda u, v: a.evaluation(u, v) @ state.displacement)
    gauss = round(np.sqrt(coarse.geometry.points)), round(np.sqrt(fine.geometry.points))
    (eu, lu), (ev, lv) = (_within(one, other, gauss) for one, other in
                          ((a.basis_u, b.basis_u), (a.basis_v, b.basis_v)))
    layers = state.points.shape[2:]
    own = state.points.reshape(a.basis_u.elements, a.basis_v.elements, gauss[0], gauss[0], *layers)
    parents = own[eu[:, None], ev[None, :]]
    points = np.einsum("aij,bkl,abjlmn->abikmn", lu, lv, parents, optimize=True)
    low = parents.min(axis=(2, 3))[:, :, None, None]
    high = parents.max(axis=(2, 3))[:, :, None, None]
    points = np.clip(points, low, high)
    return State(moved, points.reshape(fine.geometry.elements, fine.geometry.points, *layers))


def _within(coarse: Basis, fine: Basis, gauss: tuple[int, int]) -> tuple[Ints, Array]:
    """Element of ``coarse`` that holds each element of ``fine``, (elements,), and the weights
    (elements, g_fine, g_coarse) of its Gauss points at those of the fine element.

    The weights are the values of the Lagrange polynomials through the Gauss points.
    """
    size = np.ptp(coarse.breaks)
    parent = coarse.element_of(0.5 * (fine.breaks[1:] + fine.breaks[:-1]))
    left, right = coarse.breaks[parent], coarse.breaks[parent + 1]
    if ((fine.breaks[:-1] < left - 1e-9 * size) | (fine.breaks[1:] > right + 1e-9 * size)).any():
        raise InputError("an element crosses a border of the first mesh",
                         "elements that are parts of the first mesh's")
    nodes, at = (np.polynomial.legendre.leggauss(number)[0] for number in gauss)
    x = (0.5 * (fine.breaks[:-1, None] * (1.0 - at) + fine.breaks[1:, None] * (1.0 + at))
         - left[:, None]) / (right - left)[:, None] * 2.0 - 1.0
    weights = np.ones((*x.shape, nodes.size))
    for k, node in enumerate(nodes):
        for other in np.delete(nodes, k):
            weights[..., k] *= (x - other) / (node - other)
    return parent, weights
