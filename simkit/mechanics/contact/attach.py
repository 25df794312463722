"""Place tools on the sheet: glue a tab on, set a tip against a face, prepare a forming target."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import direction as axis_of
from simkit.arguments import numbers, positive, whole
from simkit.errors import InputError
from simkit.mechanics.contact.bending import tab_bending
from simkit.mechanics.contact.cohesive import point_laws
from simkit.mechanics.contact.engagement import FormingTarget, GluedTab, TipContact
from simkit.mechanics.contact.tips import place_contact, tool_frame
from simkit.mechanics.model import Model, State
from simkit.mechanics.points import SheetPoints, sheet_points
from simkit.shell.springs import SpringSet
from simkit.tool.bodies import RigidBody
from simkit.tool.glue import Glue
from simkit.tool.tabs import Tab

Array = NDArray[np.float64]


def glue_tab(
    model: Model, state: State, tab: Tab, glue: Glue, at: Array, axis: Array,
    along: Array | None = None,
) -> GluedTab:
    """Glue a tab on the sheet in its present state, centred on the axis through ``at`` (3,), mm.

    Raises
    ------
    InputError : less than 90 % of the footprint lies on the panel; an invalid position or axis.
    """
    at, axis = numbers("at", at, (3,)), axis_of("axis", axis)
    frame = tool_frame(-axis, along)
    points, place, flat = footprint(model, state, tab, at, frame)
    reach = 0.5 * np.hypot(tab.length_mm, tab.width_mm)
    found = float(points.area.sum())
    if found < 0.9 * tab.area_mm2:
        raise InputError(
            f"tab '{tab.name}' at x {at[0]:.1f} mm, y {at[1]:.1f} mm finds "
            f"{found:.0f} of its {tab.area_mm2:.0f} mm2 on the panel",
            "move it inwards or take a smaller tab")
    # the whole tab lies on the panel; the rest of the difference comes from sampling and curvature
    if found > 0.97 * tab.area_mm2:
        points = replace(points, area=points.area * (tab.area_mm2 / found))
    z = frame[2]
    # the glue has its nominal thickness at the highest point under the tab and fills the gap
    # elsewhere
    layer = glue.layer_mm + (flat[:, 2].max() - flat[:, 2])
    bending = tab_bending(tab)
    modes, stiffness = _modes(place, at, frame, reach), np.zeros((5, 5))
    if bending is not None:
        # the plate's shapes replace the rotation about the pull axis, which does not bend the tab
        bent = bending.shapes(flat[:, 0], flat[:, 1])
        modes = np.concatenate([modes[:, :, :4], z[:, None] * bent[:, None, :]], axis=2)
        stiffness = np.zeros((modes.shape[2], modes.shape[2]))
        stiffness[4:, 4:] = bending.stiffness
    return GluedTab(points, point_laws(glue, layer), place, np.ascontiguousarray(modes),
                    stiffness, z, frame, np.zeros(layer.size))


def footprint(model: Model, state: State, tab: Tab, at: Array,
              frame: Array) -> tuple[SheetPoints, Array, Array]:
    """Sheet points under a tab at ``at`` (3,): (points, positions, positions in the tab's frame).

    ``area`` of the points is the part that the tab covers. Each point represents a square, and the
    rim of the tab is taken as a straight line across it.
    """
    x = model.patch.control + state.displacement
    corner = x[model.element_points]
    spread = np.linalg.norm(np.ptp(corner, axis=1), axis=1)
    local = (corner.mean(axis=1) - at) @ frame.T
    reach = 0.5 * np.hypot(tab.length_mm, tab.width_mm)
    element = np.flatnonzero(np.hypot(local[:, 0], local[:, 1]) < reach + spread)
    if element.size == 0:
        raise InputError(f"tab '{tab.name}' at x {at[0]:.1f} mm, y {at[1]:.1f} mm",
                         "a place on the panel")
    size = float(np.sqrt(model.geometry.area[element].sum(axis=1).max()))
    per = int(np.clip(np.ceil(12.0 * size / tab.width_mm), 4, 12))
    points = sheet_points(model.patch, element, per)
    place = np.einsum("mk,mkc->mc", points.shape, x[model.element_points[points.element]])
    flat = (place - at) @ frame.T
    side = np.sqrt(points.area)
    share = np.clip(0.5 - tab.outside_mm(flat[:, 0], flat[:, 1]) / side, 0.0, 1.0)
    mask = (share > 0.0) & (np.abs(flat[:, 2]) < tab.length_mm + 50.0)
    points = replace(points, area=points.area * share).select(mask)
    return points, place[mask], flat[mask]


def _modes(place: Array, at: Array, frame: Array, reach: float) -> Array:
    """Rigid motions of each point (m, 3, 5): translations along local x, y; rotations about local
    x, y, z, divided by ``reach`` so that all unknowns are in mm."""
    arm = place - at
    columns = [np.broadcast_to(frame[0], arm.shape), np.broadcast_to(frame[1], arm.shape)]
    columns += [np.cross(frame[k], arm) / reach for k in range(3)]
    return np.stack(columns, axis=-1)


def set_tip(
    model: Model, state: State, body: RigidBody, at: Array, direction: Array, travel_mm: float,
    along: Array | None = None, per_element: int | None = None,
    facing_MPa_per_mm: float | None = None,
) -> TipContact:
    """Set a rigid body against the sheet, to be driven by up to ``travel_mm``.

    Contact is evaluated at ``per_element`` x ``per_element`` points of an element. The default is a
    distance of 1/16 of the nose radius, with 4 to 8 points a side: for a tap by a ball of 12 mm on
    elements of 5 mm, 4 points gave a remaining depth 10 % too small, 8 points one within 1 %.
    ``facing_MPa_per_mm``: stiffness of a soft facing of the body, pressure per compression.

    Raises
    ------
    InputError : an invalid position, direction or travel; a body that does not meet the panel.
    """
    positive("travel_mm", travel_mm)
    if per_element is None:
        size = float(np.sqrt(model.geometry.area.sum(axis=1).min()))
        per_element = int(np.clip(np.ceil(16.0 * size / body.nose_radius_mm), 4, 8))
    whole("per_element", per_element, 1, 64)
    # radius of the contact zone of a sphere pressed in by the travel, with some margin
    width = np.sqrt(2.0 * body.nose_radius_mm * travel_mm + travel_mm**2)
    core = max(np.hypot(body.half_length_mm, body.half_width_mm), body.core_radius_mm)
    reach = core + min(width, 1.2 * body.nose_radius_mm) + 2.0 * model.thickness_mm
    contact = place_contact(model, state, body, at, direction, reach, along, per_element)
    if facing_MPa_per_mm is not None:
        positive("facing_MPa_per_mm", facing_MPa_per_mm)
        contact = replace(contact, stiffness=facing_MPa_per_mm, soft=True)
    return TipContact(contact)


def forming_target(
    model: Model, state: State, goal_mm: Array, stiffness_N_per_mm3: float,
    weight: Array | None = None,
) -> FormingTarget:
    """Springs at every Gauss point that draw the sheet along its normal to a given deviation.

    goal_mm (elements, gauss points): target deviation under load; weight (same shape), 0 to 1.

    Raises
    ------
    InputError : wrong shapes, values that are not finite, a weight that is zero everywhere.
    """
    g = model.geometry
    positive("stiffness_N_per_mm3", stiffness_N_per_mm3)
    goal_mm = numbers("goal_mm", goal_mm, g.area.shape)
    if weight is not None and not numbers("weight", weight, g.area.shape).max() > 0.0:
        raise InputError("weight is zero everywhere", "above zero where the target counts",
                         key="weight")
    points = sheet_points(model.patch, np.arange(g.elements), int(np.sqrt(g.points)))
    x = model.patch.control + state.displacement
    now = np.einsum("mk,mkc->mc", points.shape, x[model.element_points[points.element]])
    deviation = ((now - points.place) * points.normal).sum(axis=1)
    share = np.ones(points.area.size) if weight is None else weight.ravel()
    keep = share > 0.0
    points, share = points.select(keep), share[keep]
    stiffness = (stiffness_N_per_mm3 * points.area * share)[:, None, None] * (
        points.normal[:, :, None] * points.normal[:, None, :])
    shift = (goal_mm.ravel()[keep] - deviation[keep])[:, None] * points.normal
    springs = SpringSet(points.element, points.shape, stiffness, now[keep], points.normal)
    return FormingTarget(springs, shift)
