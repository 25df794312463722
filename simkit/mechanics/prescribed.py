"""A prescribed displacement at a point inside the panel; its force is part of the solution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import direction as unit
from simkit.arguments import number, positive
from simkit.mechanics.model import Model, State
from simkit.shell.springs import SpringSet

Array = NDArray[np.float64]
STIFFNESS_OVER_MEMBRANE = 1e4
"""Stiffness of the spring that drives the point, over E t.

The stiffness of a sheet against a point force is below E t, so the spring deflects by at most 1e-4
of the displacement of the sheet.
"""


@dataclass(frozen=True)
class PrescribedDisplacement:
    """A point of the sheet is moved along a direction and is free across it.

    A load for :func:`simkit.mechanics.statics.solve_static`. The point is driven by a stiff spring
    (penalty), so its displacement is too small by at most 1 / :data:`STIFFNESS_OVER_MEMBRANE`; the
    force is exact for the displacement that it has.

    Attributes
    ----------
    u, v : parameters of the point.
    direction : (3,) of the displacement, any length.
    mm : displacement along it at factor 1.
    """

    u: float
    v: float
    direction: Array
    mm: float

    def on(self, model: Model) -> ActingDisplacement:
        """Prepare it for a model.

        Raises
        ------
        InputError : a point off the panel, an invalid direction or displacement.
        """
        patch, along = model.patch, unit("direction", self.direction)
        u, v = np.array([number("u", self.u)]), np.array([number("v", self.v)])
        element = (patch.basis_u.element_of(u) * patch.basis_v.elements
                   + patch.basis_v.element_of(v))
        row = patch.evaluation(u, v)
        shape = row.toarray()[:, model.element_points[element[0]]]
        positive("thickness_mm", model.thickness_mm)
        stiffness = STIFFNESS_OVER_MEMBRANE * model.sheet.E_MPa * model.thickness_mm
        spring = SpringSet(element, shape, stiffness * np.multiply.outer(along, along)[None],
                           row @ patch.control, along[None])
        return ActingDisplacement(spring, along, number("mm", self.mm))

    def force_N(self, model: Model, state: State, factor: float) -> float:
        """Force on the sheet along the direction, N, in a state found under that factor."""
        acting = self.on(model)
        spring = acting.at(factor)
        here = spring.places_of(model.patch.control + state.displacement, model.element_points)
        return float(acting.along @ (spring.stiffness[0] @ (spring.rest - here)[0]))


@dataclass(frozen=True)
class ActingDisplacement:
    """The driving spring on a model."""

    spring: SpringSet
    along: Array
    mm: float

    def at(self, factor: float) -> SpringSet:
        """The spring with its far end moved by factor times the displacement."""
        return self.spring.moved(self.spring.rest + factor * self.mm * self.along)

    def add(self, model: Model, x: Array, factor: float, force: Array, data: Array,
            tangent: bool) -> None:
        """See :class:`simkit.mechanics.loads.Acting`."""
        self.at(factor).add(x, model.element_points, model.layout.places, force, data, tangent)
