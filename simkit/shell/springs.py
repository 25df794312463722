"""Springs from points of the sheet to places in space: braces, glue, forming targets, edges.

A spring point carries the force S (x - x0) with a constant symmetric 3 x 3 stiffness S (already
multiplied by its area). A one-sided point acts only where (x - x0) . n < 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numba as nb
import numpy as np
from numpy.typing import NDArray

from simkit.shell.kernels import scatter_upper
from simkit.shell.records import SpringPoints

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SpringSet:
    """Spring points, sorted by element.

    Attributes
    ----------
    element : (m,) element of each point.
    shape : (m, n_e) displacement shape values; derivative values give rotation springs.
    stiffness : (m, 3, 3), N/mm.
    rest : (m, 3) place x0, mm (zero for springs on displacement-like quantities).
    normal : (m, 3) used by one-sided points only.
    one_sided : whether the points act only where (x - x0) . normal < 0.
    """

    element: NDArray[np.int64]
    shape: Array
    stiffness: Array
    rest: Array
    normal: Array
    one_sided: bool = False

    def scaled(self, factor: float) -> SpringSet:
        """The same springs with their stiffness multiplied by a factor."""
        return replace(self, stiffness=factor * self.stiffness)

    def moved(self, rest: Array) -> SpringSet:
        """The same springs with other rest places."""
        return replace(self, rest=rest)

    def add(self, x: Array, points: NDArray[np.int64], places: NDArray[np.int32], force: Array,
            data: Array, tangent: bool) -> float:
        """Add to force (control points, 3) and matrix data; return the stored energy, N mm."""
        springs = SpringPoints(self.element, self.shape, self.stiffness, self.rest, self.normal,
                               self.one_sided)
        return float(_add(x, points, places, springs, force, data, tangent))

    def places_of(self, x: Array, points: NDArray[np.int64]) -> Array:
        """Current position of each spring point, (m, 3)."""
        return np.einsum("mk,mkc->mc", self.shape, x[points[self.element]])


@nb.njit(cache=True)
def _add(x, points, places, springs, force, data, tangent):
    """Add the springs' forces and tangents; return their stored energy, N mm.

    x (control points, 3) mm; points (elements, n) control points of each element; places
    (elements, entries) where tangents go in the matrix values data; springs a SpringPoints; force
    (control points, 3) N, data written only with a tangent.
    """
    element, shape, stiffness = springs.element, springs.shape, springs.stiffness
    rest, normal, one_sided = springs.rest, springs.normal, springs.one_sided
    n = shape.shape[1]
    ke = np.zeros((3 * n, 3 * n))
    energy = 0.0
    gap, pull = np.empty(3), np.empty(3)
    m = element.size
    for k in range(m):
        el = element[k]
        for c in range(3):
            gap[c] = -rest[k, c]
            for i in range(n):
                gap[c] += shape[k, i] * x[points[el, i], c]
        active = True
        if one_sided:
            active = gap[0] * normal[k, 0] + gap[1] * normal[k, 1] + gap[2] * normal[k, 2] < 0.0
        if active:
            for r in range(3):
                pull[r] = 0.0
                for c in range(3):
                    pull[r] += stiffness[k, r, c] * gap[c]
                energy += 0.5 * pull[r] * gap[r]
            for i in range(n):
                for r in range(3):
                    force[points[el, i], r] += shape[k, i] * pull[r]
            if tangent:
                for i in range(n):
                    for j in range(i, n):
                        both = shape[k, i] * shape[k, j]
                        for r in range(3):
                            for c in range(3):
                                ke[3 * i + r, 3 * j + c] += both * stiffness[k, r, c]
        # points are sorted by element: scatter the sum of an element's points at its last one
        if tangent and (k == m - 1 or element[k + 1] != el):
            scatter_upper(ke, places[el], data)
            ke[:] = 0.0
    return energy
