"""One row of the table of steps: what was done, what it left, what it cost."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from simkit.files import exact
from simkit.inspection.crown import CrownRing, highest_in_band
from simkit.inspection.measures import (
    flatness,
    improvement_pct,
    improvement_raw_pct,
    left_mm2,
    stretch_mm2,
)
from simkit.inspection.spots import SampledField
from simkit.mechanics.model import Model, State, held_force, largest_face_strain
from simkit.mechanics.stepping.orders import Advance
from simkit.repair.operations import Operation
from simkit.repair.stages import stage_of
from simkit.repair.workpiece import Workpiece

NAN = float("nan")


@dataclass(frozen=True)
class StepRow:
    """Numbers and words of one step; step 0 is the dent before any work.

    Attributes
    ----------
    step, operation, tool, x_mm, y_mm, goal_mm, angle_deg : the operation as requested.
    outcome, reason : how the loading ended. tool_change : whether the tool differs from the last.
    minutes : minutes of this step, from the table of times (common practice, no source); the first
        step includes the set-up, the first push the access to the inner face.
    touches : number of touches of a pass, else 1. rod, opening : access of a push from behind,
        empty by hand; its first use adds the opening's minutes. said : the operation in the words
        of `simkit try`.
    before_mm, released_mm : deviation at the tool's place before and after; predicted_mm : after,
        as predicted while loading.
    travel_mm, force_N : largest travel and force. held_N : force of the tools still held (the
        heights are those under this force, and nothing counts as flat or as a stage meanwhile).
    max_low_mm, max_high_mm, slope_mrad, improvement_pct,
        improvement_raw_pct : of the whole panel after the step
        (:mod:`simkit.inspection.measures`); flat : whether the case's goal is met; stage : the
        finest stage that is met (:mod:`simkit.repair.stages`), empty for none; left_mm2 : measure
        of the deviation beyond the goal's limits (:func:`simkit.inspection.measures.left_mm2`).
    crown_mm : highest deviation in the first dent's crown band; low_rise_mm : how far the place of
        the first dent's deepest point has risen since step 0.
    stretch_mm2 : plastic area surplus of the mid-surface; max_plastic_strain : equivalent, of any
        layer; max_face_strain : largest principal strain of a face since the undamaged sheet.
    work_Nmm, standing_Nmm, stored_Nmm, plastic_Nmm, snap_Nmm : work of the tool, work of the
        held tools, change of stored elastic energy, plastic work, energy lost in snapping;
        energy_error_pct : difference of the balance over the energy that was exchanged.
    iterations, cuts : Newton iterations, halved increments. snapped : whether the sheet snapped.
    penetration_mm : largest penetration of contact.
    paint_pct, thinning_pct, ring_mm, mark_mm, finger_N_per_mm, risks : of the panel after the step
        and at the tool's place (:mod:`simkit.repair.risks`): largest strain of a face over the
        paint's limit, largest loss of thickness, ring raised round a tab, depth of the tip's
        print, stiffness under a light finger, and the risks above their limits in words.
    tab_forces_N : force of each tab of a beam or spreader when the loading ended, blanks between.
    impact_Nmm : energy that a hammer's blow lost at impact, besides the balance.
    """

    step: int
    operation: str
    tool: str = ""
    x_mm: float = NAN
    y_mm: float = NAN
    goal_mm: float = NAN
    angle_deg: float = NAN
    outcome: str = ""
    reason: str = ""
    tool_change: bool = False
    minutes: float = 0.0
    touches: int = 1
    before_mm: float = NAN
    predicted_mm: float = NAN
    released_mm: float = NAN
    travel_mm: float = NAN
    force_N: float = NAN
    held_N: float = 0.0
    max_low_mm: float = 0.0
    max_high_mm: float = 0.0
    slope_mrad: float = 0.0
    flat: bool = False
    stage: str = ""
    left_mm2: float = NAN
    improvement_pct: float = 0.0
    improvement_raw_pct: float = 0.0
    crown_mm: float = NAN
    low_rise_mm: float = 0.0
    stretch_mm2: float = 0.0
    max_plastic_strain: float = 0.0
    max_face_strain: float = 0.0
    work_Nmm: float = NAN
    standing_Nmm: float = NAN
    stored_Nmm: float = NAN
    plastic_Nmm: float = NAN
    snap_Nmm: float = NAN
    energy_error_pct: float = NAN
    iterations: int = 0
    cuts: int = 0
    snapped: bool = False
    penetration_mm: float = NAN
    paint_pct: float = NAN
    thinning_pct: float = NAN
    ring_mm: float = NAN
    mark_mm: float = NAN
    finger_N_per_mm: float = NAN
    risks: str = ""
    rod: str = ""
    opening: str = ""
    said: str = ""
    tab_forces_N: str = ""
    impact_Nmm: float = NAN

    @property
    def deed(self) -> str:
        """Operation, tool and, for a pass, the number of touches."""
        words = " ".join(word for word in (self.operation, self.tool) if word)
        return words if self.touches < 2 else f"{words}, {self.touches} touches"

    def cells(self) -> dict[str, str]:
        """Text of every column; numbers with all digits, so that they are read back exactly."""
        return {f.name: _text(getattr(self, f.name)) for f in fields(self)}

    @classmethod
    def from_cells(cls, cells: dict[str, str]) -> StepRow:
        """The row from the text of :meth:`cells`; raises ValueError or KeyError for other text."""
        values: dict[str, Any] = {}
        for f in fields(cls):
            raw = cells.get(f.name, "") if f.name in LATER else cells[f.name]
            if f.type == "bool":
                values[f.name] = {"yes": True, "no": False}[raw]
            elif f.type == "int":
                values[f.name] = int(raw)
            elif f.type == "float":
                values[f.name] = float(raw) if raw else NAN
            else:
                values[f.name] = raw
        return cls(**values)


LATER = ("paint_pct", "thinning_pct", "ring_mm", "mark_mm", "finger_N_per_mm", "risks", "rod",
         "opening", "said", "tab_forces_N", "impact_Nmm")
"""Columns that are missing in older run folders."""
COLUMNS = tuple(f.name for f in fields(StepRow))


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return exact(value)
    return str(value)


def shape_numbers(work: Workpiece, state: State, field: SampledField, first: SampledField,
                  ring: CrownRing | None) -> dict[str, Any]:
    """Columns that describe the present shape of the panel."""
    goal = work.case.goal
    verdict = flatness(field, *goal.limits, goal.slope_base_mm)
    model = work.model
    numbers: dict[str, Any] = {
        "max_low_mm": verdict.max_low_mm, "max_high_mm": verdict.max_high_mm,
        "slope_mrad": verdict.slope_mrad, "flat": verdict.flat and not state.standing,
        "held_N": held_force(model, state),
        "stage": "" if state.standing else stage_of(goal, verdict),
        "left_mm2": left_mm2(field, *goal.limits, goal.slope_base_mm),
        "improvement_pct": improvement_pct(first, field, goal.limits[0])
        if field is not first else 0.0,
        "improvement_raw_pct": improvement_raw_pct(first, field) if field is not first else 0.0,
        "stretch_mm2": area_surplus_mm2(model, state),
        "max_plastic_strain": float(state.points[..., 3].max()),
        "max_face_strain": largest_face_strain(model, state),
    }
    if ring is not None:
        numbers["crown_mm"] = highest_in_band(field, ring)
        row = int(np.argmin(np.abs(field.y_mm - ring.centre_mm[1])))
        column = int(np.argmin(np.abs(field.x_mm - ring.centre_mm[0])))
        numbers["low_rise_mm"] = float(field.d_mm[row, column] - first.d_mm[row, column])
    return numbers


def area_surplus_mm2(model: Model, state: State) -> float:
    """Plastic surplus of the mid-surface's area, mm^2; bending cannot remove it."""
    # the plastic strain is logarithmic: its trace s is the logarithm of the area ratio
    mean = state.points[..., 0] @ model.layers.weights
    return stretch_mm2(np.expm1(mean), model.geometry.area)


def operation_numbers(op: Operation, result: Advance, before_mm: float,
                      released_mm: float) -> dict[str, Any]:
    """Columns that describe the operation."""
    predicted = [p.predicted_mm for p in result.path]
    return {
        "operation": op.kind, "tool": op.tool, "x_mm": op.x_mm, "y_mm": op.y_mm,
        "goal_mm": NAN if op.kind == "let-down" or (op.kind == "hold" and op.force_N is not None)
        else op.goal_mm,
        "touches": result.touches, "angle_deg": op.angle_deg, "outcome": result.outcome.value,
        "reason": result.reason,
        "before_mm": before_mm, "released_mm": released_mm,
        "predicted_mm": predicted[-1] if predicted else NAN,
        "travel_mm": result.travel_mm, "force_N": result.force_N,
        "work_Nmm": result.work, "standing_Nmm": result.standing, "stored_Nmm": result.stored,
        "plastic_Nmm": result.plastic, "snap_Nmm": result.drag,
        "energy_error_pct": 100.0 * result.missing_Nmm / result.turnover_Nmm,
        "iterations": result.iterations, "cuts": result.cuts, "snapped": result.snapped,
        "penetration_mm": max((p.penetration_mm for p in result.path), default=NAN),
        "impact_Nmm": result.impact if op.hammer else NAN,
        "tab_forces_N": " ".join(f"{share:.1f}" for share in result.shares_N),
    }
