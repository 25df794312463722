"""A lifter: a tab is pulled by a frame that stands with its feet on the panel.

Its screw draws the tab towards the frame by the travel. The frame can move along the pull and tilt
about the screw. These motions are own unknowns in addition to those of the tab, so that the feet
are in equilibrium with the pull in force and moment. Each foot is an elastic pad.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError
from simkit.mechanics.contact.attach import footprint, glue_tab
from simkit.mechanics.contact.reading import Reading
from simkit.mechanics.contact.tabs import GluedTab
from simkit.mechanics.model import Model, State
from simkit.mechanics.points import SheetPoints
from simkit.shell.springs import SpringSet
from simkit.tool.glue import Glue
from simkit.tool.lifters import Lifter
from simkit.tool.tabs import Tab

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LiftedTab(GluedTab):
    """A tab under a lifter.

    The last own unknowns are the frame's motion along the pull and its tilts, mm at the feet.

    Attributes
    ----------
    feet : the pads of all feet between panel and frame, without force when the lifter is set.
    ways : (m, f) motion of each pad point along the pull per unknown of the frame.
    """

    feet: SpringSet | None = None
    ways: Array | None = None

    def add(self, model: Model, x: Array, own: Array, travel: float, force: Array, data: Array,
            tangent: bool) -> Reading:
        """See :class:`simkit.mechanics.contact.engagement.Engagement`."""
        read = super().add(model, x, own, travel, force, data, tangent)
        pads = self._pads(own)
        held = pads.add(x, model.element_points, model.layout.places, force, data, tangent)
        if tangent:
            self._couple(model, pads)
            return read
        back = read.own.copy()
        assert self.ways is not None
        back[-self.ways.shape[1]:] += (self._pull(model, pads, x) @ self.axis) @ self.ways
        return replace(read, own=back, held_Nmm=read.held_Nmm + held)

    def feet_N(self, model: Model, x: Array, own: Array) -> float:
        """Total force of the feet on the panel, against the pull, N."""
        return -float((self._pull(model, self._pads(own), x) @ self.axis).sum())

    def _pads(self, own: Array) -> SpringSet:
        assert self.feet is not None
        assert self.ways is not None
        up = self.ways @ own[-self.ways.shape[1]:]
        return self.feet.moved(self.feet.rest + up[:, None] * self.axis)

    def _pull(self, model: Model, pads: SpringSet, x: Array) -> Array:
        """Force of each pad point on the sheet, (m, 3), N."""
        opening = pads.rest - pads.places_of(x, model.element_points)
        return np.einsum("mrc,mc->mr", pads.stiffness, opening)

    def _couple(self, model: Model, pads: SpringSet) -> None:
        """Add the part of the feet to the coupling and the own stiffness."""
        assert self.ways is not None
        columns, stiff = (part.copy() for part in self.border(model))
        pressed, count = pads.stiffness @ self.axis, self.ways.shape[1]
        for j in range(count):
            nodal = np.zeros_like(model.patch.control)
            np.add.at(nodal, model.element_points[pads.element],
                      pads.shape[:, :, None] * (self.ways[:, j, None] * pressed)[:, None, :])
            columns[:, j - count] -= model.layout.gather(nodal)
        stiff[-count:, -count:] += self.ways.T @ ((pressed @ self.axis)[:, None] * self.ways)
        self.border_formed.coupling = columns, stiff


def set_lifter(model: Model, state: State, tab: Tab, glue: Glue, at: Array, axis: Array,
               along: Array, lifter: Lifter) -> LiftedTab:
    """Glue a tab on and set a lifter over it, see :func:`stand_over`."""
    return stand_over(model, state, glue_tab(model, state, tab, glue, at, axis, along), tab, at,
                      lifter)


def stand_over(model: Model, state: State, glued: GluedTab, covers: Tab, at: Array,
               lifter: Lifter) -> LiftedTab:
    """Set a lifter over a glued tab or row of tabs, its feet on the present shape of the sheet.

    ``covers``: the tab, or the rectangle that the row covers.

    Raises
    ------
    InputError : tabs that do not fit between the feet, a foot off the panel.
    """
    if not lifter.clears(covers):
        raise InputError(f"tab '{covers.name}' under lifter '{lifter.name}'",
                         f"a tab that fits between its feet, {lifter.span_mm:g} mm apart",
                         key="tool")
    frame = glued.frame
    pad = Tab("pad", "round", lifter.pad_mm, lifter.pad_mm)
    under: list[SheetPoints] = []
    places: list[Array] = []
    ways: list[Array] = []
    for u, v in lifter.feet():
        foot = at + u * frame[0] + v * frame[1]
        points, place, _ = footprint(model, state, pad, foot, frame)
        if points.area.sum() < 0.9 * pad.area_mm2:
            raise InputError(f"foot of lifter '{lifter.name}' at x {foot[0]:.0f} mm, y "
                             f"{foot[1]:.0f} mm", "feet that stand on the panel", key="tool")
        under.append(points)
        places.append(place)
        tilts = [1.0, np.sign(u), *([np.sign(v)] if lifter.width_mm else [])]
        ways.append(np.tile(tilts, (len(place), 1)))
    element = np.concatenate([points.element for points in under])
    order = np.argsort(element, kind="stable")
    area = np.concatenate([points.area / points.area.sum() for points in under])[order]
    unit = np.multiply.outer(glued.axis, glued.axis)
    feet = SpringSet(element[order], np.concatenate([p.shape for p in under])[order],
                     lifter.pad_N_per_mm * area[:, None, None] * unit,
                     np.concatenate(places)[order], np.broadcast_to(glued.axis, (order.size, 3)))
    moving = np.concatenate(ways)[order]
    frame_modes = np.zeros((*glued.modes.shape[:2], moving.shape[1]))
    frame_modes[:, :, 0] = glued.axis  # a tilt of the frame about the screw does not move the tab
    own, count = glued.unknowns, glued.unknowns + moving.shape[1]
    stiffness = np.zeros((count, count))
    stiffness[:own, :own] = glued.bending
    return LiftedTab(
        glued.points, glued.law, glued.rest,
        np.ascontiguousarray(np.concatenate([glued.modes, frame_modes], axis=2)), stiffness,
        glued.axis, frame, glued.damage, counts=glued.counts, feet=feet, ways=moving)

