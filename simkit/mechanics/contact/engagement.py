"""Tools that act on the sheet: contact of a rigid body, a glued tab, a forming target, dead force.

Each adds its forces at a travel to the residual (internal minus external forces). Its own unknowns,
such as the free motions of a tab, form a border of the sheet's equations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.reading import Reading, Withdrawal
from simkit.mechanics.contact.tabs import GluedTab
from simkit.mechanics.contact.tips import Contact
from simkit.mechanics.model import Model, State
from simkit.shell.springs import SpringSet

__all__ = ["DeadForce", "Engagement", "FormingTarget", "GluedTab", "Reading", "Softened",
           "TipContact", "Withdrawal"]

Array = NDArray[np.float64]


class Engagement(Protocol):
    """A tool on the sheet."""

    @property
    def unknowns(self) -> int:
        """Number of own unknowns."""

    @property
    def withdrawal(self) -> Withdrawal:
        """How it is taken away, which also decides how its work is computed."""

    @property
    def direction(self) -> Array:
        """Unit vector of the travel."""

    def add(self, model: Model, x: Array, own: Array, travel: float, force: Array, data: Array,
            tangent: bool) -> Reading:
        """Add to force (control points, 3) and, with ``tangent``, to the matrix data.

        x (control points, 3) nodal positions, mm; own: values of the own unknowns, mm.
        """

    def border(self, model: Model) -> tuple[Array, Array]:
        """Coupling (equations, unknowns) and own stiffness (unknowns, unknowns) of the tangent
        that was added last."""


class Softened(Engagement, Protocol):
    """A tool of springs that can be made weaker."""

    def weaker(self, share: float) -> Engagement:
        """The same tool with its stiffness multiplied by ``share``."""


@dataclass(frozen=True)
class TipContact:
    """A rigid tip, hammer face or striker pressed along its axis."""

    contact: Contact
    unknowns: int = 0
    withdrawal = Withdrawal.DRAWN_BACK

    @property
    def direction(self) -> Array:
        """Unit vector of the travel."""
        return self.contact.direction

    def add(self, model: Model, x: Array, own: Array, travel: float, force: Array, data: Array,
            tangent: bool) -> Reading:
        """See :class:`Engagement`."""
        read = self.contact.add(model, x, travel, force, data, tangent)
        deep = 0.0 if self.contact.soft else read.penetration_mm
        return Reading(float(read.force_N @ self.direction), own, deep, held_Nmm=read.energy)

    def border(self, model: Model) -> tuple[Array, Array]:
        """No own unknowns."""
        return np.empty((model.layout.count, 0)), np.empty((0, 0))

    def on(self, model: Model, state: State) -> TipContact:
        """The same tip with the sheet's present thickness."""
        return replace(self, contact=self.contact.on(model, state))

    def held(self, model: Model, equations: Array, travel: float) -> float:
        """Energy stored in the contact's penalty at an equilibrium, N mm."""
        x = model.patch.control + model.layout.spread(equations)
        return self.contact.add(model, x, travel, np.zeros_like(x), np.empty(1), False).energy

    def stiffer(self) -> TipContact:
        """The same tip with a contact penalty four times as stiff."""
        return replace(self, contact=self.contact.stiffer(4.0))


@dataclass(frozen=True)
class FormingTarget:
    """Distributed springs that draw the surface from its present shape to a target shape.

    ``travel`` runs from 0 (present positions) to 1 (target positions).
    """

    springs: SpringSet
    shift: Array
    unknowns: int = 0
    withdrawal = Withdrawal.SOFTENED

    def weaker(self, share: float) -> FormingTarget:
        """The same target with its stiffness multiplied by ``share``."""
        return replace(self, springs=self.springs.scaled(share))

    @property
    def direction(self) -> Array:
        """Not defined, so z; the force of the reading is the sum of magnitudes."""
        return np.array([0.0, 0.0, 1.0])

    def add(self, model: Model, x: Array, own: Array, travel: float, force: Array, data: Array,
            tangent: bool) -> Reading:
        """See :class:`Engagement`."""
        moved = self.springs.moved(self.springs.rest + travel * self.shift)
        moved.add(x, model.element_points, model.layout.places, force, data, tangent)
        opening = moved.rest - moved.places_of(x, model.element_points)
        pull = np.einsum("mrc,mc->mr", moved.stiffness, opening)
        return Reading(float(np.linalg.norm(pull, axis=1).sum()), own)

    def border(self, model: Model) -> tuple[Array, Array]:
        """No own unknowns."""
        return np.empty((model.layout.count, 0)), np.empty((0, 0))


@dataclass(frozen=True)
class DeadForce:
    """Fixed nodal forces times (1 - travel): a tool's force that is reduced to zero."""

    nodal: Array
    unknowns: int = 0
    withdrawal = Withdrawal.FADES

    @property
    def direction(self) -> Array:
        """Direction of the resultant; z if that is zero."""
        total = self.nodal.sum(axis=0)
        size = float(np.linalg.norm(total))
        return total / size if size > 0.0 else np.array([0.0, 0.0, 1.0])

    def add(self, model: Model, x: Array, own: Array, travel: float, force: Array, data: Array,
            tangent: bool) -> Reading:
        """See :class:`Engagement`."""
        acting = (1.0 - travel) * self.nodal
        force -= acting
        return Reading(float(acting.sum(axis=0) @ self.direction), own)

    def border(self, model: Model) -> tuple[Array, Array]:
        """No own unknowns."""
        return np.empty((model.layout.count, 0)), np.empty((0, 0))
