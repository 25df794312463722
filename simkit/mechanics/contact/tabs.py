"""Glued tabs: a plate or rigid face, pulled along an axis, with glue that can be damaged and peel.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.cohesive import (
    KN,
    KS,
    GluePoints,
    GlueSums,
    GlueTangent,
    TabPose,
    add_glue,
    add_glue_tangent,
)
from simkit.mechanics.contact.reading import Reading, Withdrawal
from simkit.mechanics.model import Model
from simkit.mechanics.points import SheetPoints
from simkit.shell.springs import SpringSet

Array = NDArray[np.float64]


@dataclass
class FormedBorder:
    """Coupling (equations, unknowns) and own stiffness of the tangent that was added last.

    It is the only mutable part of a tab.
    """

    coupling: tuple[Array, Array] | None = None


@dataclass(frozen=True)
class GluedTab:
    """A tab on a glue layer, pulled along an axis; it can shift, tilt and, if a plate, bend.

    Attributes
    ----------
    points : sheet points under the footprint.
    law : (m, 6) cohesive law of each point, see :mod:`simkit.mechanics.contact.cohesive`.
    rest : (m, 3) position on the tab at which a point's glue is free of stress, mm.
    modes : (m, 3, q) motion of each point per own unknown, all in mm: translations along local x,
        y; rotations times the tab's radius; bending.
    bending : (q, q) stiffness of the tab itself, N/mm; zero for its rigid motions.
    axis : (3,) direction of the pull.
    frame : (3, 3) rows local x, y, z (z = axis).
    damage : (m,) of the glue at the last equilibrium, 0 intact, 1 failed.
    spent_Nmm : energy dissipated by this damage.
    growing : whether the damage can increase.
    border_formed : coupling and own stiffness of the tangent added last.
    peak_N, peak_damage : largest force at equilibrium so far, and the share of its strength that
        the glue had lost at that force.
    counts : number of points of each tab, where there are several on a rig
        (:mod:`simkit.mechanics.contact.rigs`); empty for one.
    """

    points: SheetPoints
    law: Array
    rest: Array
    modes: Array
    bending: Array
    axis: Array
    frame: Array
    damage: Array
    spent_Nmm: float = 0.0
    growing: bool = True
    peak_N: float = 0.0
    peak_damage: float = 0.0
    counts: tuple[int, ...] = ()
    withdrawal = Withdrawal.DRAWN_BACK
    border_formed: FormedBorder = field(default_factory=FormedBorder, repr=False,
                                        compare=False)

    @property
    def unknowns(self) -> int:
        """Number of own unknowns."""
        return self.bending.shape[0]

    @property
    def direction(self) -> Array:
        """Unit vector of the travel."""
        return self.axis

    def add(self, model: Model, x: Array, own: Array, travel: float, force: Array, data: Array,
            tangent: bool) -> Reading:
        """See :class:`simkit.mechanics.contact.engagement.Engagement`."""
        if tangent:
            self.border_formed.coupling = self._border(model, x, own, travel, data)
            return Reading(0.0, np.zeros(self.unknowns))
        back, pull, _, out = self._forces(model, x, own, travel, force)
        bent = self.bending @ own
        area = float(self.points.area.sum())
        return Reading(
            self.along(pull), back + bent,
            held_Nmm=out[0] + 0.5 * float(own @ bent) + self.spent_Nmm + out[1],
            damage=out[2] / area, parted=out[3] / area)

    def at_equilibrium(self, model: Model, x: Array, own: Array, travel: float) -> GluedTab:
        """The same tab with glue damage and largest force updated at an equilibrium."""
        _, pull, new, out = self._forces(model, x, own, travel, np.zeros_like(x))
        new.setflags(write=False)
        force, peak = self.along(pull), (self.peak_N, self.peak_damage)
        if force >= self.peak_N:
            peak = (force, float(out[2] / self.points.area.sum()))
        return replace(self, damage=new, spent_Nmm=self.spent_Nmm + out[1], peak_N=peak[0],
                       peak_damage=peak[1],
                       border_formed=FormedBorder(self.border_formed.coupling))

    def along(self, pull: Array) -> float:
        """Force along the travel that belongs to the points' forces on the sheet (m, 3), N."""
        return float(pull.sum(0) @ self.axis)

    def slices(self) -> list[slice]:
        """Points of each tab of a rig; empty for one tab."""
        ends = [0, *np.cumsum(self.counts).tolist()]
        return [slice(a, b) for a, b in pairwise(ends)]

    def shares_N(self, pull: Array) -> tuple[float, ...]:
        """Force that each tab of a rig carries along the travel, N; empty for one tab."""
        return tuple(float(pull[part].sum(0) @ self.axis) for part in self.slices())

    def carried_N(self, model: Model, x: Array, own: Array, travel: float) -> tuple[float, ...]:
        """Force of each tab of a rig at an equilibrium, N; empty for one tab."""
        if not self.counts:
            return ()
        return self.shares_N(self._forces(model, x, own, travel, np.zeros_like(x))[1])

    def springs(self, model: Model, x: Array, own: Array, travel: float) -> SpringSet:
        """The glue at an equilibrium as springs to the tab in its present position and shape.

        They represent a locked tab; the damage of the glue stays as it is.
        """
        rest = self.rest + travel * self.axis + self.modes @ own
        p = self.points
        here = np.einsum("mk,mkc->mc", p.shape, x[model.element_points[p.element]])
        open_ = (rest - here) @ self.axis > 0.0
        _, _, damage, _ = self._forces(model, x, own, travel, np.zeros_like(x))
        normal = p.area * self.law[:, KN] * np.where(open_, 1.0 - damage, 1.0)
        shear = p.area * self.law[:, KS] * (1.0 - damage)
        along = np.multiply.outer(self.axis, self.axis)
        stiffness = (normal[:, None, None] * along
                     + shear[:, None, None] * (np.eye(3) - along))
        return SpringSet(p.element, p.shape, stiffness, rest,
                         np.broadcast_to(self.axis, rest.shape))

    def lasting(self) -> GluedTab:
        """The same tab with glue whose damage does not increase."""
        return replace(self, growing=False, border_formed=FormedBorder())

    def border(self, model: Model) -> tuple[Array, Array]:
        """Coupling (equations, unknowns) and own stiffness of the tangent that was added last."""
        assert self.border_formed.coupling is not None, "no tangent was added yet"
        return self.border_formed.coupling

    def _glue(self) -> GluePoints:
        p = self.points
        return GluePoints(p.element, p.shape, p.area, self.law, self.damage, self.rest)

    def _pose(self, own: Array, travel: float) -> TabPose:
        return TabPose(self.axis, travel * self.axis, self.modes, own)

    def _forces(self, model: Model, x: Array, own: Array, travel: float, force: Array,
                ) -> tuple[Array, Array, Array, Array]:
        """Arrays back, pull, damage and totals of :class:`GlueSums`; adds to ``force``."""
        m, q = self.damage.size, self.unknowns
        back, pull, new, out = np.zeros(q), np.empty((m, 3)), np.empty(m), np.zeros(4)
        add_glue(x, model.element_points, self._glue(), self._pose(own, travel), self.growing,
                 GlueSums(force, back, pull, new, out))
        return back, pull, new, out

    def _border(self, model: Model, x: Array, own: Array, travel: float,
                data: Array) -> tuple[Array, Array]:
        """Add to the matrix data; return coupling and own stiffness, see :meth:`border`."""
        q = self.unknowns
        columns, stiff = np.zeros((*x.shape, q)), self.bending.copy()
        add_glue_tangent(x, model.element_points, model.layout.places, self._glue(),
                         self._pose(own, travel), self.growing,
                         GlueTangent(data, columns, stiff))
        out = np.empty((model.layout.count, q))
        for j in range(q):
            out[:, j] = model.layout.gather(np.ascontiguousarray(columns[:, :, j]))
        return out, stiff
