"""Springs from points of the sheet to places in space: braces, glue, forming targets, edges.

A spring point carries the force S (x - x0) with a constant symmetric 3 x 3 stiffness S (already
multiplied by its area). A one-sided point acts only where (x - x0) . n < 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numba as nb
import numpy as np
from numpy.typing import NDArray

from simkit.shell.kernels import _scatter

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
    one_sided : whether the points act only on (x - x0) . normal < 0.
    """

    element: NDArray[np.int64]
    shape: Array
    stiffness: Array
    rest: Array
    normal: Array
    one_sided: bool = False

    def scaled(self, factor: float) -> SpringSet:
        """The same springs, stiffer or softer by a factor."""
        return replace(self, stiffness=factor * self.stiffness)

    def moved(self, rest: Array) -> SpringSet:
        """The same springs with other rest places."""
        return replace(self, rest=rest)

    def add(self, x: Array, points: NDArray[np.int64], places: NDArray[np.int32], force: Array,
            data: Array, tangent: bool) -> float:
        """Add to force (control points, 3) and matrix data; return the stored energy, N mm."""
        return float(_add(x, points, places, self.element, self.shape, self.stiffness, self.rest,
                          self.normal, self.one_sided, force, data, tangent))

    def places_of(self, x: Array, points: NDArray[np.int64]) -> Array:
        """Current position of each spring point, (m, 3)."""
        return np.einsum("mk,mkc->mc", self.shape, x[points[self.element]])


@nb.njit(cache=True)
def _add(x, points, places, element, shape, stiffness, rest, normal, one_sided, force, data,
         tangent):
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
        if tangent and (k == m - 1 or element[k + 1] != el):
            _scatter(ke, places[el], data)
            ke[:] = 0.0
    return energy


@nb.njit(cache=True)
def add_moving(x, points, element, shape, stiffness, rest, shift, modes, own, force, pull, back):
    """Add to force (control points, 3) what springs on a moving body do, in one pass.

    Their rest places are rest + shift + modes own, with shift (3,), modes (m, 3, q), own (q,).
    Fills pull (m, 3), N on the sheet, adds modes' pull to back (q,) and returns the stored energy,
    N mm.
    """
    energy = 0.0
    gap = np.empty(3)
    for k in range(element.size):
        at = points[element[k]]
        for c in range(3):
            place = rest[k, c] + shift[c]
            for q in range(own.size):
                place += modes[k, c, q] * own[q]
            for i in range(at.size):
                place -= shape[k, i] * x[at[i], c]
            gap[c] = place
        for r in range(3):
            pull[k, r] = (stiffness[k, r, 0] * gap[0] + stiffness[k, r, 1] * gap[1]
                          + stiffness[k, r, 2] * gap[2])
            energy += 0.5 * pull[k, r] * gap[r]
            for q in range(own.size):
                back[q] += modes[k, r, q] * pull[k, r]
        for i in range(at.size):
            for r in range(3):
                force[at[i], r] -= shape[k, i] * pull[k, r]
    return energy
