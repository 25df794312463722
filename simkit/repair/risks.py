"""Risks of a step: paint, ring around a tab, thinning, print of the tip, softness under a finger.

The print of a tip is that of full plastic contact: the mean pressure is about three times the flow
stress s (D. Tabor, The Hardness of Metals, 1951; MEMORY, not looked up), so that a force F leaves
a contact area F / (3 s). It is not part of the shell's shape, since a shell has no stress through
its thickness.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError
from simkit.inspection.sampling import point_on
from simkit.inspection.spots import SampledField
from simkit.mechanics.contact.attach import footprint
from simkit.mechanics.contact.tips import tool_frame
from simkit.mechanics.elastic import elastic_factors
from simkit.mechanics.model import Model, State
from simkit.mechanics.points import SheetPoints
from simkit.repair.finger import FINGER_MM
from simkit.repair.operations import Operation
from simkit.repair.rigging import places_of
from simkit.repair.wedging import wedge_of
from simkit.repair.workpiece import Workpiece
from simkit.solve.linear import Factorisation
from simkit.tool.bodies import RigidBody
from simkit.tool.tabs import Tab

Array = NDArray[np.float64]
HARD = 3.0
"""Hardness over flow stress."""
RING = 2.5
"""Outer radius of the ring examined around a tab, over the radius of the tab."""
UNDAMAGED = "undamaged finger"
"""Name of the factorisation of the undamaged panel, which is formed once."""
PAINT_PCT, RING_MM, MARK_MM, THIN_PCT, GIVES = 80.0, 0.1, 0.01, 5.0, 0.5
"""Limits above which a risk is reported: share of the paint's strain limit, ring, print, thinning;
and stiffness under a finger over that of the undamaged panel below which it is. Common practice, no
source."""


def thinning_pct(model: Model, state: State) -> float:
    """Largest loss of thickness anywhere, %, by plastic strain at constant volume."""
    # mean plastic area strain through the thickness; the volume is constant: t / t0 = exp(-strain)
    surplus = state.points[..., 0] @ model.layers.weights
    return float(100.0 * (1.0 - np.exp(-surplus)).max())


def finger_stiffness(model: Model, state: State, x_mm: float, y_mm: float,
                     factored: Factorisation | None = None) -> float:
    """Stiffness under a light finger, N/mm, by the elastic tangent of the present state.

    ``factored``: that tangent, if it is known already.

    The force is inwards and uniform over 15 mm. Returns 0 if the panel is unstable, nan if unknown.
    :mod:`simkit.repair.finger` computes the whole press, with a snap at larger force.
    """
    at, normal = point_on(model, state, x_mm, y_mm)
    try:
        points, _, _ = footprint(model, state, Tab("finger", "round", FINGER_MM, FINGER_MM), at,
                                 tool_frame(-normal))
    except InputError:
        return math.nan
    if points.area.sum() == 0.0:
        return math.nan
    press = model.layout.gather(_press(model, points, normal))
    if factored is None:
        factored = elastic_factors(model, state, "finger")
    if factored is None:
        return math.nan
    # a negative pivot: the tangent is not positive definite, and the equilibrium is unstable
    if factored.negative_pivots:
        return 0.0
    # f^T K^-1 f: displacement under 1 N, weighted with the load; its inverse is the stiffness
    return float(1.0 / (press @ factored.solve(press)))


def _press(model: Model, points: SheetPoints, normal: Array) -> Array:
    """Nodal forces of 1 N spread evenly over a footprint, (control points, 3)."""
    share = points.area / points.area.sum()
    nodal = np.zeros_like(model.patch.control)
    np.add.at(nodal, model.element_points[points.element],
              (points.shape * share[:, None])[:, :, None] * normal)
    return nodal


def ring_mm(before: SampledField, after: SampledField, x_mm: float, y_mm: float,
            radius_mm: float) -> float:
    """Largest rise of the sheet in a ring around a tab, mm; nan without grid points there."""
    x, y = np.meshgrid(after.x_mm, after.y_mm)
    r = np.hypot(x - x_mm, y - y_mm)
    ring = (r > radius_mm) & (r < RING * radius_mm)
    rise = (after.d_mm - before.d_mm)[ring]
    # only places that are high afterwards count; a low that is lifted is no ring
    proud = rise[(after.d_mm[ring] > 0.0) & np.isfinite(rise)]
    return float(max(proud.max(), 0.0)) if proud.size else 0.0 if ring.any() else math.nan


def print_mm(body: RigidBody, force_N: float, flow_MPa: float) -> float:
    """Depth of the print of a tip in the face, mm.

    For a ball from the contact area pi a^2 and depth a^2 / (2 R); for a bar from the contact width
    b and depth b^2 / (8 R); a flat face large enough for the force leaves none.
    """
    area = force_N / (HARD * flow_MPa)
    radius = body.nose_radius_mm
    if body.core == "point":
        return area / math.pi / (2.0 * radius)
    if body.core == "segment":
        width = area / (2.0 * body.half_length_mm)
        return width**2 / (8.0 * radius)
    # beyond the flat face, the rounded rim carries the rest like a ball
    flat = (math.pi * body.core_radius_mm**2 if body.core == "disc"
            else 4.0 * body.half_length_mm * body.half_width_mm)
    return 0.0 if area <= flat else (area - flat) / math.pi / (2.0 * radius)


def risk_numbers(work: Workpiece, operation: Operation | None, state: State,
                 before: SampledField, after: SampledField, force_N: float, face_strain: float,
                 outcome: str = "", quick: bool = False) -> dict[str, Any]:
    """Columns of a step with its risks; ``quick``: without the stiffness under a finger."""
    model = work.model
    found = {"paint_pct": 100.0 * face_strain / work.case.limits.paint_strain,
             "thinning_pct": thinning_pct(model, state), "ring_mm": math.nan,
             "mark_mm": math.nan, "finger_N_per_mm": math.nan}
    if operation is not None and operation.kind != "let-down":
        for tab in work.tabs:
            if tab.name == operation.tool:
                found["ring_mm"] = max(
                    ring_mm(before, after, x, y, 0.5 * max(tab.length_mm, tab.width_mm))
                    for x, y in places_of(work.case, operation))
        wedge = wedge_of(work.case, operation.tool)
        if wedge is not None:
            found["mark_mm"] = print_mm(wedge.body(), force_N, float(model.sheet.tension(0.0)))
        for tip in work.tips:
            if tip.name == operation.tool:
                hard = tip.facing_MPa_per_mm is None
                found["mark_mm"] = print_mm(tip.body, force_N, float(
                    model.sheet.tension(0.0))) if hard else 0.0
        if not quick:
            found["finger_N_per_mm"] = finger_stiffness(model, state, operation.x_mm,
                                                        operation.y_mm)
    return {**found, "risks": _named(work, operation, found, outcome)}


def _named(work: Workpiece, operation: Operation | None, found: dict[str, float],
           outcome: str) -> str:
    """The risks above their limits, in words."""
    words = []
    if found["paint_pct"] >= PAINT_PCT:
        words.append(f"paint at {found['paint_pct']:.0f} % of its limit")
    if found["thinning_pct"] >= THIN_PCT:
        words.append(f"sheet {found['thinning_pct']:.0f} % thinner")
    if found["ring_mm"] >= RING_MM:
        words.append(f"ring of {found['ring_mm']:.2f} mm round the tab")
    if found["mark_mm"] >= MARK_MM:
        words.append(f"print of the tip {found['mark_mm']:.3f} mm")
    if outcome == "would snap":
        words.append("about to snap")
    give = found["finger_N_per_mm"]
    if operation is not None and np.isfinite(give):
        whole = _undamaged(work, operation.x_mm, operation.y_mm)
        if give < GIVES * whole:
            words.append(f"soft under the finger, {give:.0f} N/mm of {whole:.0f}"
                         if give > 0.0 else "not stable: an oil can")
    return "; ".join(words)


def _undamaged(work: Workpiece, x_mm: float, y_mm: float) -> float:
    """Stiffness of the undamaged panel under a finger, kept by place rounded to 1 mm."""
    model = work.model
    kept, place = model.workspace.undamaged_finger_N_per_mm, (round(x_mm), round(y_mm))
    if place not in kept:
        virgin, factored = model.virgin(), model.workspace.solvers.get(UNDAMAGED)
        if factored is None:
            factored = elastic_factors(model, virgin, UNDAMAGED)
        kept[place] = finger_stiffness(model, virgin, x_mm, y_mm, factored)
    return kept[place]
