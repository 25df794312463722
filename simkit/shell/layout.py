"""Numbering: which equation each displacement belongs to, where element matrices go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.spline.patch import Patch

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Layout:
    """Equation numbers and sparsity of a patch under its edge conditions.

    Attributes
    ----------
    equation : (control points, 3) equation of each displacement, -1 where it is held; two
        displacements may share one (symmetry).
    count : number of equations.
    indptr, indices : upper triangle in compressed rows, sorted, diagonal first.
    coords : (count, 2) position of each equation's control point on the grid of control points.
    places : (elements, m (m + 1) / 2) index in the matrix values of each upper entry of an element
        matrix, coded as :func:`simkit.shell.kernels.scatter_upper` says.
    """

    equation: Ints
    count: int
    indptr: Ints
    indices: Ints
    coords: Ints
    places: NDArray[np.int32]

    def gather(self, full: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum a nodal vector (control points, 3) into equations (count,)."""
        flat, eq = full.ravel(), self.equation.ravel()
        active = eq >= 0
        return np.asarray(np.bincount(eq[active], weights=flat[active], minlength=self.count),
                          dtype=float)

    def spread(self, reduced: NDArray[np.float64]) -> NDArray[np.float64]:
        """Equations (count,) to a nodal field (control points, 3), held entries zero."""
        padded = np.append(reduced, 0.0)
        return padded[self.equation]


def make_layout(patch: Patch, equation: Ints) -> Layout:
    """Build the sparsity and the scatter table for given equation numbers."""
    count = int(equation.max()) + 1
    cps = element_points(patch)
    dofs = (3 * cps[:, :, None] + np.arange(3)).reshape(cps.shape[0], -1)
    eq = equation.ravel()[dofs]
    i, j = np.triu_indices(eq.shape[1])
    a, b = eq[:, i], eq[:, j]
    row, col = np.minimum(a, b), np.maximum(a, b)
    held = row < 0
    key = row * count + col  # one number for each pair, so that pairs can be sorted and searched
    diagonal = np.arange(count) * (count + 1)
    unique = np.unique(np.concatenate([key[~held], diagonal]))
    places = np.searchsorted(unique, key).astype(np.int32)
    # two displacements of an element that share an equation: see scatter_upper
    merged = (a == b) & (i != j)[None, :] & ~held
    places[merged] = -(places[merged] + 2)
    places[held] = -1
    rows = unique // count
    indptr = np.searchsorted(rows, np.arange(count + 1))
    return Layout(
        equation=equation, count=count, indptr=indptr.astype(np.int64),
        indices=(unique % count).astype(np.int64), coords=_coords(patch, equation, count),
        places=places,
    )


def element_points(patch: Patch) -> Ints:
    """Control points of every element, (elements, (degree + 1)^2)."""
    p1 = patch.degree + 1
    eu, ev = np.meshgrid(
        np.arange(patch.basis_u.elements), np.arange(patch.basis_v.elements), indexing="ij"
    )
    k = np.arange(p1 * p1)
    cu = eu.ravel()[:, None] + (k // p1)[None, :]
    cv = ev.ravel()[:, None] + (k % p1)[None, :]
    return cu * patch.basis_v.count + cv


def _coords(patch: Patch, equation: Ints, count: int) -> Ints:
    """Grid position (count, 2) of each equation; of a shared one, that of its first point."""
    nu, nv = patch.shape
    grid = np.stack(np.meshgrid(np.arange(nu), np.arange(nv), indexing="ij"), -1).reshape(-1, 2)
    coords = np.zeros((count, 2), dtype=np.int64)
    for component in range(3):
        for point in range(nu * nv - 1, -1, -1):
            if equation[point, component] >= 0:
                coords[equation[point, component]] = grid[point]
    return coords
