"""What may act on the sheet: contact of a rigid body, a glued tab, a forming target, dead load.

Each adds its forces to ``internal minus external`` at a travel, with its own unknowns (the free
motions of a tab) bordering the sheet's equations.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.tips import Contact
from simkit.mechanics.model import Model, State
from simkit.mechanics.points import SheetPoints
from simkit.shell.springs import SpringSet, add_moving
from simkit.tool.glue import Glue

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Reading:
    """What a tool feels at one configuration.

    Attributes
    ----------
    force_N : along the travel, on the sheet.
    own : residual of the tool's own unknowns (same unit as the sheet's after scaling).
    penetration_mm : deepest penetration of contact; zero for others.
    glue_use : largest of the glue's tractions over their strengths; zero without glue.
    glue_how : which traction that is.
    held_Nmm : elastic energy held by the tool's own springs (glue, contact penalty).
    """

    force_N: float
    own: Array
    penetration_mm: float = 0.0
    glue_use: float = 0.0
    glue_how: str = ""
    held_Nmm: float = 0.0


class Withdrawal(Enum):
    """How a tool is taken away where the sheet would not be stable under its fading force."""

    DRAWN_BACK = "a body that travels: drawn back the way it came; its work is force times travel"
    SOFTENED = "springs, made weaker and weaker; it has a method weaker(share)"
    FADES = "a force without a place: it fades, and the sheet may snap"


class Engagement(Protocol):
    """A tool on the sheet."""

    @property
    def unknowns(self) -> int:
        """Number of own unknowns."""

    @property
    def withdrawal(self) -> Withdrawal:
        """How it is taken away, and with that how its work is booked."""

    @property
    def direction(self) -> Array:
        """Unit vector of the travel."""

    def add(self, model: Model, x: Array, own: Array, travel: float, force: Array, data: Array,
            tangent: bool) -> Reading:
        """Add to force (control points, 3) and matrix data at nodal places x."""

    def border(self, model: Model) -> tuple[Array, Array]:
        """Coupling (equations, unknowns) and own stiffness (unknowns, unknowns)."""


class Softened(Engagement, Protocol):
    """A tool of springs that can be made weaker."""

    def weaker(self, share: float) -> Engagement:
        """The same tool with a share of its stiffness."""


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
        return Reading(float(read.force_N @ self.direction), own, read.penetration_mm,
                       held_Nmm=read.energy)

    def border(self, model: Model) -> tuple[Array, Array]:
        """No own unknowns."""
        return np.empty((model.layout.count, 0)), np.empty((0, 0))

    def on(self, model: Model, state: State) -> TipContact:
        """The same tip against the sheet's present thickness."""
        return replace(self, contact=self.contact.on(model, state))

    def held(self, model: Model, equations: Array, travel: float) -> float:
        """Energy held in the contact's penalty at a balance, N mm."""
        x = model.patch.control + model.layout.spread(equations)
        return self.contact.add(model, x, travel, np.zeros_like(x), np.empty(1), False).energy

    def stiffer(self) -> TipContact:
        """The same tip with a contact penalty four times as stiff."""
        return replace(self, contact=self.contact.stiffer(4.0))


@dataclass(frozen=True)
class GluedTab:
    """A rigid tab on a glue layer, drawn along an axis and free to shift and tilt.

    Attributes
    ----------
    points : sheet points under the footprint.
    springs : glue springs; their rest places move with the tab.
    modes : (m, 3, 5) motion of each point per own unknown: two shifts, three turns (scaled by the
        tab's radius, so that all unknowns are mm).
    axis : (3,) direction of the pull.
    frame : (3, 3) rows local x, y, z (z = axis).
    """

    points: SheetPoints
    springs: SpringSet
    modes: Array
    axis: Array
    frame: Array
    glue: Glue
    area_mm2: float
    edge: NDArray[np.bool_]
    unknowns: int = 5
    withdrawal = Withdrawal.DRAWN_BACK
    _cache: dict = field(default_factory=dict, repr=False, compare=False)

    @property
    def direction(self) -> Array:
        """Unit vector of the travel."""
        return self.axis

    def add(self, model: Model, x: Array, own: Array, travel: float, force: Array, data: Array,
            tangent: bool) -> Reading:
        """See :class:`Engagement`."""
        springs, back = self.springs, np.zeros(self.unknowns)
        pull = np.empty_like(springs.rest)
        held = add_moving(x, model.element_points, springs.element, springs.shape,
                          springs.stiffness, springs.rest, travel * self.axis, self.modes, own,
                          force, pull, back)
        if tangent:  # it does not hang on where the tab is
            springs.add(x, model.element_points, model.layout.places, np.zeros_like(x), data, True)
        use, how = self._glue_use(pull)
        return Reading(float(pull.sum(0) @ self.axis), back, 0.0, use, how, float(held))

    def _glue_use(self, pull: Array) -> tuple[float, str]:
        total = pull.sum(axis=0)
        tension = float(total @ self.axis)
        shear = float(np.linalg.norm(total - tension * self.axis))
        normal = (pull @ self.axis) / self.points.area
        uses = {
            "mean traction": tension / self.area_mm2 / self.glue.tension_MPa,
            "edge traction": float(normal[self.edge].max(initial=0.0)) / self.glue.peel_MPa,
            "shear": shear / self.area_mm2 / self.glue.shear_MPa,
        }
        how = max(uses, key=lambda k: uses[k])
        return uses[how], how

    def border(self, model: Model) -> tuple[Array, Array]:
        """Coupling of the sheet with the tab's free motions (constant)."""
        if "border" not in self._cache:
            on_modes = np.einsum("mrc,mcq->mrq", self.springs.stiffness, self.modes)
            columns = np.empty((model.layout.count, self.unknowns))
            cps = model.element_points[self.springs.element]
            for q in range(self.unknowns):
                nodal = np.zeros_like(model.patch.control)
                spread = self.springs.shape[:, :, None] * on_modes[:, None, :, q]
                np.add.at(nodal, cps.ravel(), -spread.reshape(-1, 3))
                columns[:, q] = model.layout.gather(nodal)
            own = np.einsum("mcq,mcp->qp", self.modes, on_modes)
            self._cache["border"] = (columns, own)
        return self._cache["border"]


@dataclass(frozen=True)
class FormingTarget:
    """Distributed springs that draw the surface from where it is to a target shape.

    ``travel`` runs from 0 (start places) to 1 (target places).
    """

    springs: SpringSet
    shift: Array
    unknowns: int = 0
    withdrawal = Withdrawal.SOFTENED

    def weaker(self, share: float) -> FormingTarget:
        """The same target with springs of a share of their stiffness."""
        return replace(self, springs=self.springs.scaled(share))

    @property
    def direction(self) -> Array:
        """Not one direction; the reading's force is the sum of magnitudes."""
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
    """A fixed nodal force field times (1 - travel): a tool's force fading away."""

    nodal: Array
    unknowns: int = 0
    withdrawal = Withdrawal.FADES

    @property
    def direction(self) -> Array:
        """Direction of the resultant, or z."""
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
