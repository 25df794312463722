"""Reference geometry of a patch at its Gauss points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.spline.patch import Patch

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Geometry:
    """Everything about the undeformed mid-surface that the kernels need.

    Elements are numbered e = eu * elements_v + ev, Gauss points gu * g + gv inside each.

    Attributes
    ----------
    shape_u, shape_v : (elements, g, degree + 1, 3) basis values and derivatives per direction.
    metric, curvature : (elements, g*g, 3) covariant components 11, 22, 12; mm^2 / mm.
    frame : (elements, g*g, 3, 3) matrix from covariant components (11, 22, 12) to (s, d, g) in a
        local orthonormal frame: s = e11 + e22, d = e11 - e22, g = 2 e12; the frame's first axis is
        the direction given to `reference_geometry`, or x,1.
    area : (elements, g*g) area weight of each point, mm^2.
    normal : (elements, g*g, 3) unit normal.
    place : (elements, g*g, 3) position, mm.
    """

    shape_u: Array
    shape_v: Array
    metric: Array
    curvature: Array
    frame: Array
    area: Array
    normal: Array
    place: Array

    @property
    def elements(self) -> int:
        """Number of elements."""
        return self.area.shape[0]

    @property
    def points(self) -> int:
        """Gauss points per element."""
        return self.area.shape[1]


def reference_geometry(patch: Patch, gauss: int, along: Array | None = None) -> Geometry:
    """Evaluate the reference surface at gauss x gauss points of every element.

    ``along`` (3,): direction of the frames' first axes, projected onto the tangent plane; None:
    along x,1.
    """
    pu, wu, su = patch.basis_u.gauss(gauss)
    pv, wv, sv = patch.basis_v.gauss(gauss)
    nu, nv = patch.shape
    grid = patch.control.reshape(nu, nv, 3)
    values = {}
    for name, (a, b) in {"x": (0, 0), "1": (1, 0), "2": (0, 1), "11": (2, 0), "22": (0, 2),
                         "12": (1, 1)}.items():
        cu = patch.basis_u.collocation(pu.ravel(), a)
        cv = patch.basis_v.collocation(pv.ravel(), b)
        full = np.einsum("ai,bj,ijk->abk", cu, cv, grid, optimize=True)
        values[name] = _by_element(full, pu.shape, pv.shape)
    x1, x2 = values["1"], values["2"]
    cross = np.cross(x1, x2)
    jac = np.linalg.norm(cross, axis=-1)
    normal = cross / jac[..., None]
    metric = np.stack([(x1 * x1).sum(-1), (x2 * x2).sum(-1), (x1 * x2).sum(-1)], axis=-1)
    curvature = np.stack([(values[k] * normal).sum(-1) for k in ("11", "22", "12")], axis=-1)
    weight = np.einsum("ag,bh->abgh", wu, wv).reshape(jac.shape)
    return Geometry(
        shape_u=np.ascontiguousarray(su), shape_v=np.ascontiguousarray(sv), metric=metric,
        curvature=curvature, frame=_frames(x1, x2, metric, along), area=weight * jac, normal=normal,
        place=values["x"],
    )


def _by_element(full: Array, pu: tuple[int, ...], pv: tuple[int, ...]) -> Array:
    """Values (points along u, points along v, 3), reordered to (elements, g * h, 3)."""
    (nu, g), (nv, h) = pu, pv
    ordered = full.reshape(nu, g, nv, h, 3).transpose(0, 2, 1, 3, 4)
    return np.ascontiguousarray(ordered.reshape(nu * nv, g * h, 3))


def _frames(x1: Array, x2: Array, metric: Array, along: Array | None) -> Array:
    """Matrices from covariant components to (s, d, g); e1 along ``along`` or x,1, e2 = a3 x e1.

    E = E_ab a^a (x) a^b, so a component in the local frame is E_ab (a^a . e_i) (a^b . e_j).
    """
    det = metric[..., 0] * metric[..., 1] - metric[..., 2] ** 2
    # dual base vectors a^1, a^2: a^a . x,b = 1 where a = b, else 0
    up1 = (metric[..., 1, None] * x1 - metric[..., 2, None] * x2) / det[..., None]
    up2 = (metric[..., 0, None] * x2 - metric[..., 2, None] * x1) / det[..., None]
    e1 = x1 / np.sqrt(metric[..., 0])[..., None]
    if along is not None:
        normal = np.cross(x1, x2)
        normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
        # the part of the direction in the tangent plane
        e1 = along - (normal @ along)[..., None] * normal
        e1 /= np.linalg.norm(e1, axis=-1, keepdims=True)
    e2 = np.cross(np.cross(x1, x2), e1)
    e2 /= np.linalg.norm(e2, axis=-1, keepdims=True)
    c11, c12 = (up1 * e1).sum(-1), (up1 * e2).sum(-1)
    c21, c22 = (up2 * e1).sum(-1), (up2 * e2).sum(-1)
    # a covariant 12 stands for both E_12 and E_21, hence the factors of two
    e_11 = np.stack([c11 * c11, c21 * c21, 2 * c11 * c21], axis=-1)
    e_22 = np.stack([c12 * c12, c22 * c22, 2 * c12 * c22], axis=-1)
    shear = 2 * np.stack([c11 * c12, c21 * c22, c11 * c22 + c21 * c12], axis=-1)
    return np.ascontiguousarray(np.stack([e_11 + e_22, e_11 - e_22, shear], axis=-2))
