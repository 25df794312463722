"""A tool that stays: what it does to the sheet from where it stands, as a standing load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement, GluedTab, TipContact
from simkit.mechanics.contact.lifter import LiftedTab
from simkit.mechanics.contact.tips import SMOOTH_MM
from simkit.mechanics.model import Model
from simkit.mechanics.standing import Standing
from simkit.shell.springs import SpringSet

Array = NDArray[np.float64]
BESIDE_MM = 0.3
"""A locked tip bears on the sheet up to this far from where it touches now."""
NORMAL_STEP_MM = 1e-5
"""Way over which the distance to a body is differenced for its normal."""


@dataclass(frozen=True)
class Hold:
    """How a tool is held.

    Attributes
    ----------
    name : by which it is let down; x_mm, y_mm : its place on the plan; radius_mm : of what it
        covers there on the outer face.
    way : following, springy or locked; stiffness_N_per_mm : of a springy one.
    """

    name: str
    x_mm: float
    y_mm: float
    radius_mm: float = 0.0
    way: str = "following"
    stiffness_N_per_mm: float = 0.0


def stand(model: Model, tool: Engagement, x: Array, tool_nodal: Array, travel: float,
          hold: Hold) -> Standing:
    """The standing load of a tool at an equilibrium (equations and own unknowns ``x``), whose force
    on the sheet is ``tool_nodal`` (control points, 3), N.

    Locked, a tab stays where it is and its glue bears on; a tip stays and the sheet may leave it.
    Springy, the force falls by the stiffness, spread evenly over the footprint, as the sheet comes.

    Raises
    ------
    TypeError : a tool that cannot be held that way.
    """
    count = model.layout.count
    place = hold.name, tool_nodal.copy(), hold.x_mm, hold.y_mm, hold.radius_mm
    nowhere = (hold.name, np.zeros_like(tool_nodal), *place[2:])
    if hold.way == "following":
        return Standing(*place)
    here = model.patch.control + model.layout.spread(x[:count])
    if isinstance(tool, LiftedTab):
        raise TypeError(f"a tab under a lifter cannot be held {hold.way}")
    if hold.way == "springy" and isinstance(tool, GluedTab):
        share = tool.points.area / tool.points.area.sum() * hold.stiffness_N_per_mm
        unit = np.multiply.outer(tool.axis, tool.axis)
        glue = tool.springs(model, here, x[count:], travel)
        bed = SpringSet(glue.element, glue.shape, share[:, None, None] * unit,
                        glue.places_of(here, model.element_points), glue.normal)
        return Standing(*place, "springy", bed)
    if hold.way == "locked" and isinstance(tool, GluedTab):
        return Standing(*nowhere, "locked", tool.springs(model, here, x[count:], travel))
    if hold.way == "locked" and isinstance(tool, TipContact):
        return Standing(*nowhere, "locked", _frozen(model, tool, here, travel))
    raise TypeError(f"{type(tool).__name__} cannot be held {hold.way}")


def _frozen(model: Model, tip: TipContact, here: Array, travel: float) -> SpringSet:
    """The tip's face where it stands, as springs that only press."""
    contact = tip.contact
    at = np.einsum("mk,mkc->mc", contact.shape, here[model.element_points[contact.element]])
    deep = -contact.gaps(model, here, travel)
    near = deep > -BESIDE_MM
    at, deep, shape = at[near], deep[near], contact.shape[near]
    local = (at - contact.start - travel * contact.direction) @ contact.frame.T
    steps = NORMAL_STEP_MM * np.eye(3)
    slope = np.stack([contact.body.signed_distance(local + step)
                      - contact.body.signed_distance(local - step) for step in steps], axis=1)
    normal = slope @ contact.frame
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    stiffness = (contact.stiffness * contact.area[near])[:, None, None] * (
        normal[:, :, None] * normal[:, None, :])
    return SpringSet(contact.element[near], shape, stiffness,
                     at + (deep - 0.5 * SMOOTH_MM)[:, None] * normal, normal, one_sided=True)
