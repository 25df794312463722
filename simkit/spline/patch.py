"""Tensor-product B-spline surface patch: any smooth map of a rectangle into space."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from simkit.arguments import numbers
from simkit.errors import InputError
from simkit.spline.basis import Array, Basis

SurfaceMap = Callable[[Array, Array], Array]
"""Takes parameters (n,), (n,) and returns points (n, 3) in mm."""
MOST_KEPT = 4096
"""Number of single plan positions whose parameters are kept."""


@dataclass(frozen=True)
class Patch:
    """Surface x(u, v) = sum N_i(u) M_j(v) P_ij.

    Attributes
    ----------
    basis_u, basis_v : bases of the same degree.
    control : control points, (count_u * count_v, 3), mm; index i * count_v + j.
    """

    basis_u: Basis
    basis_v: Basis
    control: Array

    @classmethod
    def from_map(cls, mapping: SurfaceMap, basis_u: Basis, basis_v: Basis) -> Patch:
        """Interpolate a map at the Greville points (exact for polynomials of the degree).

        Raises
        ------
        InputError : a map that gives no finite point for each pair of parameters; two degrees.
        """
        if basis_u.degree != basis_v.degree:
            raise InputError(f"degrees {basis_u.degree} and {basis_v.degree}", "the same in both")
        gu, gv = basis_u.greville(), basis_v.greville()
        uu, vv = np.meshgrid(gu, gv, indexing="ij")
        with np.errstate(invalid="ignore"):
            points = numbers("points of the surface", mapping(uu.ravel(), vv.ravel()),
                             (uu.size, 3)).reshape(gu.size, gv.size, 3)
        # A tensor product is interpolated in one direction after the other.
        return cls(basis_u, basis_v, _interpolating(basis_u, basis_v, points))

    def interpolated(self, field: SurfaceMap) -> Array:
        """Control values (control points, 3) of the field that takes the given values at the
        Greville points; exact for a field of splines on these or larger elements."""
        uu, vv = np.meshgrid(self.basis_u.greville(), self.basis_v.greville(), indexing="ij")
        values = np.asarray(field(uu.ravel(), vv.ravel()), dtype=float)
        return _interpolating(self.basis_u, self.basis_v, values.reshape(*uu.shape, 3))

    @property
    def degree(self) -> int:
        """Polynomial degree, the same in both directions."""
        return self.basis_u.degree

    @property
    def shape(self) -> tuple[int, int]:
        """Control points in u and v."""
        return self.basis_u.count, self.basis_v.count

    def evaluation(
        self, u: Array, v: Array, order_u: int = 0, order_v: int = 0
    ) -> sp.csr_matrix:
        """Sparse matrix (points, control points) of the functions or a derivative at points.

        Raises
        ------
        InputError : a point off the patch.
        """
        u, v = self._within("u", u, self.basis_u), self._within("v", v, self.basis_v)
        eu, bu = self.basis_u.local(u)
        ev, bv = self.basis_v.local(v)
        k = np.arange(self.degree + 1)
        cu = eu[:, None, None] + k[None, :, None]
        cv = ev[:, None, None] + k[None, None, :]
        columns = (cu * self.basis_v.count + cv).reshape(eu.size, -1)
        values = (bu[:, :, None, order_u] * bv[:, None, :, order_v]).reshape(eu.size, -1)
        rows = np.repeat(np.arange(eu.size), columns.shape[1])
        size = (eu.size, self.control.shape[0])
        return sp.csr_matrix((values.ravel(), (rows, columns.ravel())), shape=size)

    @staticmethod
    def _within(name: str, value: Array, basis: Basis) -> Array:
        """Parameters, which rounding may have taken out of the patch by a little."""
        found = numbers(name, value, (None,))
        low, high = basis.breaks[0], basis.breaks[-1]
        slack = 1e-6 * (high - low)
        if found.size and not (found.min() >= low - slack and found.max() <= high + slack):
            worst = found.min() if found.min() < low - slack else found.max()
            raise InputError(f"{name} {worst:g} is off the patch",
                             f"between {low:g} and {high:g}", key=name)
        return np.clip(found, low, high)

    def points(self, u: Array, v: Array) -> Array:
        """Points of the surface, (n, 3), mm."""
        return self.evaluation(u, v) @ self.control

    def normals(self, u: Array, v: Array) -> Array:
        """Unit normals x,u cross x,v, (n, 3)."""
        u, v = self._within("u", u, self.basis_u), self._within("v", v, self.basis_v)
        _, tu, tv = self._tangents(u, v)
        normal = np.cross(tu, tv)
        return normal / np.linalg.norm(normal, axis=1, keepdims=True)

    def _tangents(self, u: Array, v: Array) -> tuple[Array, Array, Array]:
        """Points x, and derivatives x,u and x,v, each (n, 3), at parameters within the patch."""
        eu, bu = self.basis_u.local(u)
        ev, bv = self.basis_v.local(v)
        k = np.arange(self.degree + 1)
        place = ((eu[:, None] + k) * self.basis_v.count)[:, :, None] + (ev[:, None] + k)[:, None, :]
        control = self.control[place]
        # along v first: (n, degree + 1, 3) for the values and the derivatives by v
        still = np.einsum("nj,nijc->nic", bv[:, :, 0], control)
        along_v = np.einsum("nj,nijc->nic", bv[:, :, 1], control)
        return (np.einsum("ni,nic->nc", bu[:, :, 0], still),
                np.einsum("ni,nic->nc", bu[:, :, 1], still),
                np.einsum("ni,nic->nc", bu[:, :, 0], along_v))

    def locate(
        self, x: Array, y: Array, rounds: int = 30
    ) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Parameters of the points whose plan position is (x, y): (u, v, inside).

        Newton on the plan projection from the nearest of a raster of points; points outside the
        patch get the nearest parameters found and ``inside`` False.
        """
        x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        u, v = self._nearest_start(x, y)
        bu, bv = self.basis_u.breaks, self.basis_v.breaks
        for _ in range(rounds):
            at, tu, tv = self._tangents(u, v)
            rx, ry = x - at[:, 0], y - at[:, 1]
            det = tu[:, 0] * tv[:, 1] - tv[:, 0] * tu[:, 1]
            # Where the Jacobian of the plan projection is zero (vertical surface, pole) the step is
            # very long; the clipping below limits it to the patch.
            det = np.where(np.abs(det) < 1e-12, 1e-12, det)
            du = (rx * tv[:, 1] - ry * tv[:, 0]) / det
            dv = (tu[:, 0] * ry - tu[:, 1] * rx) / det
            new_u = np.clip(u + du, bu[0], bu[-1])
            new_v = np.clip(v + dv, bv[0], bv[-1])
            moved = max(np.abs(new_u - u).max(initial=0.0), np.abs(new_v - v).max(initial=0.0))
            u, v = new_u, new_v
            if moved < 1e-12 * (bu[-1] - bu[0]):
                break
        at = self._tangents(u, v)[0]
        size = np.ptp(self.control[:, :2], axis=0).max()
        inside = np.hypot(at[:, 0] - x, at[:, 1] - y) < 1e-6 * size
        return u, v, inside

    def locate_one(self, x: float, y: float) -> tuple[Array, Array, bool]:
        """:meth:`locate` for one plan position, kept for the next time: an operation asks several
        times where its tool stands. u and v are (1,)."""
        if (x, y) not in self._located:
            if len(self._located) >= MOST_KEPT:
                self._located.clear()
            u, v, inside = self.locate(np.array([x]), np.array([y]))
            self._located[x, y] = u, v, bool(inside[0])
        u, v, known = self._located[x, y]
        return u.copy(), v.copy(), known

    @cached_property
    def _located(self) -> dict[tuple[float, float], tuple[Array, Array, bool]]:
        return {}

    def _nearest_start(self, x: Array, y: Array) -> tuple[Array, Array]:
        uu, vv, tree = self._raster
        nearest = tree.query(np.column_stack([x, y]))[1]
        return uu[nearest].copy(), vv[nearest].copy()

    @cached_property
    def _raster(self) -> tuple[Array, Array, cKDTree]:
        """Parameters of the middles of all elements, and their plan positions in a search tree."""
        from_u = 0.5 * (self.basis_u.breaks[1:] + self.basis_u.breaks[:-1])
        from_v = 0.5 * (self.basis_v.breaks[1:] + self.basis_v.breaks[:-1])
        uu, vv = (grid.ravel() for grid in np.meshgrid(from_u, from_v, indexing="ij"))
        return uu, vv, cKDTree(self.points(uu, vv)[:, :2])


def _interpolating(basis_u: Basis, basis_v: Basis, values: Array) -> Array:
    """Control values (control points, 3) from values (count_u, count_v, 3) at the Greville points.
    """
    half = basis_u.interpolating(values.reshape(basis_u.count, -1)).reshape(values.shape)
    full = basis_v.interpolating(half.transpose(1, 0, 2).reshape(basis_v.count, -1))
    control = full.reshape(basis_v.count, basis_u.count, 3).transpose(1, 0, 2)
    return np.ascontiguousarray(control.reshape(-1, 3))
