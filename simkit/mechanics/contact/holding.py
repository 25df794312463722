"""A held tool: its action on the sheet as a standing load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement, GluedTab, TipContact
from simkit.mechanics.contact.lifter import LiftedTab
from simkit.mechanics.contact.rigs import DrawnApart
from simkit.mechanics.contact.tips import SMOOTH_MM
from simkit.mechanics.model import Model
from simkit.mechanics.standing import Standing
from simkit.shell.springs import SpringSet

Array = NDArray[np.float64]
BESIDE_MM = 0.3
"""A locked tip can touch the sheet at points that are now up to this distance from it."""
NORMAL_STEP_MM = 1e-5
"""Step of the finite difference of the distance to a body, which gives its normal."""


@dataclass(frozen=True)
class Hold:
    """How a tool is held.

    Attributes
    ----------
    name : name under which it is let down.
    x_mm, y_mm : position in the x, y plane; radius_mm : radius that it covers on the outer face.
    more : (x, y, radius) that further tabs of a rig cover, mm.
    way : following, springy or locked.
    stiffness_N_per_mm : stiffness of a springy hold.
    """

    name: str
    x_mm: float
    y_mm: float
    radius_mm: float = 0.0
    way: str = "following"
    stiffness_N_per_mm: float = 0.0
    more: tuple[tuple[float, float, float], ...] = ()


def stand(model: Model, tool: Engagement, x: Array, tool_nodal: Array, travel: float,
          hold: Hold) -> Standing:
    """The standing load of a tool at an equilibrium.

    x: equations and own unknowns; tool_nodal (control points, 3): force on the sheet, N. A locked
    tab keeps its position and its glue goes on carrying load; a locked tip keeps its position and
    the sheet may lift off. With a springy hold the force falls in proportion to the motion of the
    sheet; its stiffness is distributed evenly over the footprint.

    Raises
    ------
    TypeError : a tool that cannot be held in that way.
    """
    count = model.layout.count
    place = hold.name, tool_nodal.copy(), hold.x_mm, hold.y_mm, hold.radius_mm
    nowhere = (hold.name, np.zeros_like(tool_nodal), *place[2:])
    here = model.patch.control + model.layout.spread(x[:count])
    if hold.way == "following":
        drawn = (tool.carried_N(model, here, x[count:], travel)[0]
                 if isinstance(tool, DrawnApart) else 0.0)
        return Standing(*place, more=hold.more, tension_N=drawn)
    if isinstance(tool, LiftedTab) or (isinstance(tool, GluedTab) and tool.counts):
        raise TypeError(f"a tab under a lifter or on a rig cannot be held {hold.way}")
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
    """The face of a tip in its present position, as one-sided springs."""
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
    # the penalty is k (deep - SMOOTH_MM / 2) beyond its quadratic beginning, so each spring's
    # rest position lies that deep below the face
    return SpringSet(contact.element[near], shape, stiffness,
                     at + (deep - 0.5 * SMOOTH_MM)[:, None] * normal, normal, one_sided=True)
