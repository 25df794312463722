"""Points of the sheet inside a footprint: element numbers, shape values, areas."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.shell.layout import element_points
from simkit.spline.patch import Patch

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SheetPoints:
    """Quadrature points, sorted by element.

    Attributes
    ----------
    element : (m,) element of each point.
    shape : (m, n_e) shape values.
    area : (m,) weight of each point, mm^2 of the reference surface.
    place : (m, 3) reference position, mm.
    normal : (m, 3) unit normal of the reference surface.
    """

    element: NDArray[np.int64]
    shape: Array
    area: Array
    place: Array
    normal: Array

    def select(self, mask: NDArray[np.bool_]) -> SheetPoints:
        """The points for which the mask is True."""
        return SheetPoints(self.element[mask], self.shape[mask], self.area[mask],
                           self.place[mask], self.normal[mask])


def sheet_points(patch: Patch, element: NDArray[np.int64], per: int) -> SheetPoints:
    """per x per Gauss points of each of the given elements, whose numbers increase."""
    _, wu, su = patch.basis_u.gauss(per)
    _, wv, sv = patch.basis_v.gauss(per)
    eu, ev = element // patch.basis_v.elements, element % patch.basis_v.elements

    def product(a: int, b: int) -> Array:
        values = np.einsum("egi,ehj->eghij", su[eu, ..., a], sv[ev, ..., b])
        return values.reshape(element.size * per * per, (patch.degree + 1) ** 2)

    repeated = np.repeat(element, per * per)
    cps = patch.control[element_points(patch)[repeated]]
    shape = product(0, 0)
    t1 = np.einsum("mk,mkc->mc", product(1, 0), cps)
    t2 = np.einsum("mk,mkc->mc", product(0, 1), cps)
    cross = np.cross(t1, t2)
    jac = np.linalg.norm(cross, axis=1)
    area = np.einsum("eg,eh->egh", wu[eu], wv[ev]).ravel() * jac
    place = np.einsum("mk,mkc->mc", shape, cps)
    return SheetPoints(repeated, shape, area, place, cross / jac[:, None])
