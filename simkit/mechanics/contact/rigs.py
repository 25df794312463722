"""Several tabs at once: in a row under a beam, or two drawn apart along the sheet.

All tabs of a rig are one engagement with one travel. The motions of the rig itself (a tilt of the
beam, a shift of the screw between two tabs) are further own unknowns, so that the forces of the
tabs are in equilibrium on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import direction as axis_of
from simkit.arguments import numbers
from simkit.mechanics.contact.attach import glue_tab
from simkit.mechanics.contact.cohesive import (
    GluePoints,
    GlueSums,
    GlueTangent,
    TabPose,
    add_glue,
    add_glue_tangent,
)
from simkit.mechanics.contact.tabs import GluedTab
from simkit.mechanics.model import Model, State
from simkit.mechanics.points import SheetPoints
from simkit.tool.glue import Glue
from simkit.tool.rigs import Beam, Spreader
from simkit.tool.tabs import Tab

Array = NDArray[np.float64]


@dataclass(frozen=True)
class DrawnApart(GluedTab):
    """Two tabs that a screw draws apart along the sheet.

    Attributes
    ----------
    axes : (2, 3) normal of the sheet under each tab, which its glue is opened or sheared by.
    apart : (m, 3) motion of each point per mm of travel; the travel is the growth of the tabs'
        distance, so the force along it is the tension of the screw.
    """

    axes: Array | None = None
    apart: Array | None = None

    @property
    def direction(self) -> Array:
        """Unit vector from the first tab to the second."""
        assert self.apart is not None
        way: Array = self.apart[-1] / np.linalg.norm(self.apart[-1])
        return way

    def along(self, pull: Array) -> float:
        """Tension of the screw that belongs to the points' forces (m, 3), N."""
        assert self.apart is not None
        return float((pull * self.apart).sum())

    def shares_N(self, pull: Array) -> tuple[float, ...]:
        """Tension that each tab carries, N; equal where the screw is in equilibrium."""
        assert self.apart is not None
        each = (pull * self.apart).sum(axis=1)
        return tuple(2.0 * float(each[part].sum()) for part in self.slices())

    def _forces(self, model: Model, x: Array, own: Array, travel: float, force: Array,
                ) -> tuple[Array, Array, Array, Array]:
        m, q = self.damage.size, self.unknowns
        back, pull, new, out = np.zeros(q + 1), np.empty((m, 3)), np.empty(m), np.zeros(4)
        for part, axis in self._parts():
            add_glue(x, model.element_points, self._glue_of(part), self._pose_of(
                part, axis, own, travel), self.growing,
                GlueSums(force, back, pull[part], new[part], out))
        return back[:q], pull, new, out

    def _border(self, model: Model, x: Array, own: Array, travel: float,
                data: Array) -> tuple[Array, Array]:
        q = self.unknowns
        columns, stiff = np.zeros((*x.shape, q + 1)), np.zeros((q + 1, q + 1))
        for part, axis in self._parts():
            add_glue_tangent(
                x, model.element_points, model.layout.places, self._glue_of(part),
                self._pose_of(part, axis, own, travel), self.growing,
                GlueTangent(data, columns, stiff))
        out = np.empty((model.layout.count, q))
        for j in range(q):
            out[:, j] = model.layout.gather(np.ascontiguousarray(columns[:, :, j]))
        return out, stiff[:q, :q] + self.bending

    def _parts(self) -> list[tuple[slice, Array]]:
        assert self.axes is not None
        return list(zip(self.slices(), np.ascontiguousarray(self.axes), strict=True))

    def _glue_of(self, part: slice) -> GluePoints:
        p = self.points
        return GluePoints(p.element[part], p.shape[part], p.area[part], self.law[part],
                          self.damage[part], self.rest[part])

    def _pose_of(self, part: slice, axis: Array, own: Array, travel: float) -> TabPose:
        assert self.apart is not None
        modes = np.concatenate([self.modes[part], self.apart[part][:, :, None]], axis=2)
        return TabPose(axis, np.zeros(3), modes, np.append(own, travel))


def set_beam(model: Model, state: State, tab: Tab, glue: Glue, places: Array,
             axis: Array, along: Array, beam: Beam) -> GluedTab:
    """Glue equal tabs on at ``places`` (tabs, 3), mm, and draw them along one axis by a beam.

    Raises
    ------
    InputError : tabs that overlap, a tab off the panel, another number of places than of tabs.
    """
    beam.row(tab)
    places = numbers("places", places, (beam.tabs, 3))
    row = [glue_tab(model, state, tab, glue, place, axis, along) for place in places]
    ways = beam.ways()
    moved = [way * np.ones((one.damage.size, 1)) for one, way in zip(row, ways, strict=True)]
    axis = row[0].axis
    return _joined(row, [part[:, None, :] * axis[None, :, None] for part in moved])


def set_spreader(model: Model, state: State, tab: Tab, glue: Glue, places: Array,
                 normals: Array, spreader: Spreader) -> DrawnApart:
    """Glue two equal rigid tabs on at ``places`` (2, 3), mm, and set a screw between them.

    ``normals`` (2, 3) outward at the places. The screw is hinged to both tabs at its height: each
    turns about its hinge, and nothing but the screw's length is prescribed. The tabs' plates do
    not bend, since the shapes of :mod:`simkit.mechanics.contact.bending` are those of a pull.

    Raises
    ------
    InputError : tabs that overlap, a tab off the panel.
    """
    spreader.check(tab)
    places = numbers("places", places, (2, 3))
    stiff = replace(tab, thickness_mm=None, modulus_MPa=None, stem_mm=None)
    hinges = [place + spreader.height_mm * axis_of("normal", normal)
              for place, normal in zip(places, normals, strict=True)]
    line = axis_of("line between the tabs", hinges[1] - hinges[0])
    row = []
    for place, hinge, normal in zip(places, hinges, normals, strict=True):
        one = glue_tab(model, state, stiff, glue, place, normal, line)
        arm, side = one.rest - hinge, one.frame[1]
        # free: motions across the screw, rotations about the hinge; all in mm
        free = [np.broadcast_to(way, arm.shape) for way in (side, np.cross(line, side))]
        free += [np.cross(turn, arm) / (0.5 * np.hypot(tab.length_mm, tab.width_mm))
                 for turn in one.frame]
        row.append(replace(one, modes=np.stack(free, axis=-1)))
    ends = [np.tile(end * line, (one.damage.size, 1))
            for end, one in zip((-0.5, 0.5), row, strict=True)]
    # the screw can shift along itself: both tabs then carry the same tension
    whole = _joined(row, [np.tile(line[:, None], (one.damage.size, 1, 1)) for one in row])
    return DrawnApart(whole.points, whole.law, whole.rest, whole.modes, whole.bending, line,
                      whole.frame, whole.damage, counts=whole.counts,
                      axes=np.stack([one.axis for one in row]), apart=np.concatenate(ends))


def _joined(row: Sequence[GluedTab], rig: Sequence[Array]) -> GluedTab:
    """Tabs as one, each with its own unknowns, and those of the rig last.

    rig: motions (m, 3, f) of each tab's points by the rig's unknowns.
    """
    own = [one.unknowns for one in row]
    first = np.concatenate([[0], np.cumsum(own)])
    count = int(first[-1]) + rig[0].shape[2]
    bending, modes = np.zeros((count, count)), []
    for k, (one, moved) in enumerate(zip(row, rig, strict=True)):
        here = slice(first[k], first[k + 1])
        bending[here, here] = one.bending
        wide = np.zeros((one.damage.size, 3, count))
        wide[:, :, here] = one.modes
        wide[:, :, first[-1]:] = moved
        modes.append(wide)
    points = SheetPoints(*(np.concatenate([getattr(one.points, f.name) for one in row])
                           for f in fields(SheetPoints)))
    law, rest, damage = (np.concatenate([getattr(one, name) for one in row])
                         for name in ("law", "rest", "damage"))
    return GluedTab(points, law, rest, np.concatenate(modes), bending, row[0].axis, row[0].frame,
                    damage, counts=tuple(one.damage.size for one in row))
