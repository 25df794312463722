"""Operations on the panel: pull, tap-down, push; each one ends released."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simkit.errors import InputError, nearest
from simkit.inspection.sampling import point_on, probe_at
from simkit.mechanics.contact.attach import glue_tab, set_tip
from simkit.mechanics.model import State
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.repair.workpiece import Workpiece
from simkit.solve.nonlinear.newton import NewtonSettings

KINDS = ("pull", "tap-down", "push")
SETTINGS = AdvanceSettings(first_mm=0.1, largest_mm=0.25, goal_tolerance_mm=0.01,
                           energy_error_pct=0.95)
"""The net work of an operation is a small rest of what goes in and comes back: increments are fine
enough to keep its books to one per cent."""
PULLING = replace(SETTINGS, largest_mm=0.5,
                  passing=NewtonSettings(force_tolerance=3e-3, work_tolerance=3e-4))
"""A glued tab is felt from the first and everywhere at once; 0.5 mm changes what a pull leaves by
half a per cent (docs/performance/one-pull.md)."""


@dataclass(frozen=True)
class Operation:
    """One operation.

    Attributes
    ----------
    kind : pull (tab, outwards), tap-down (tip from outside, inwards), push (tip from behind,
        outwards).
    tool : name of a tab (pull) or tip (others) of the kit.
    x_mm, y_mm : place on the plan.
    goal_mm : deviation the place shall have once released; the tool stops when the released
        shape is predicted to have it.
    angle_deg : direction of a long tool's length in the plan.
    """

    kind: str
    tool: str
    x_mm: float
    y_mm: float
    goal_mm: float = 0.0
    angle_deg: float = 0.0


def apply_operation(work: Workpiece, state: State, operation: Operation,
                    settings: AdvanceSettings | None = None) -> Advance:
    """Carry out one operation on a state; the result holds the new state.

    ``settings``: by default those of the kind.

    Raises
    ------
    InputError : unknown kind or tool, no access from behind, tool off the panel.
    """
    load = _load(work, state, operation)
    usual = PULLING if operation.kind == "pull" else SETTINGS
    return advance(work.model, state, load, settings or usual)


def _load(work: Workpiece, state: State, op: Operation) -> Load:
    limits = work.case.limits
    place, normal = point_on(work.model, state, op.x_mm, op.y_mm)
    probe = probe_at(work.model, op.x_mm, op.y_mm)
    angle = np.radians(op.angle_deg)
    along = np.array([np.cos(angle), np.sin(angle), 0.0])
    if op.kind == "pull":
        tab = _pick(work.tabs, op.tool, "tab")
        tool = glue_tab(work.model, state, tab, work.glue, place, normal, along)
        return Load(tool, limits.travel_mm, limits.pull_force_N, limits.paint_strain, probe,
                    op.goal_mm)
    if op.kind not in KINDS:
        raise InputError(f"operation '{op.kind}'", "one of " + ", ".join(KINDS), key="kind")
    if op.kind == "push" and not work.reaches(op.x_mm, op.y_mm):
        raise InputError(f"push at x {op.x_mm:g} mm, y {op.y_mm:g} mm",
                         "a place that panel.behind.reach covers", key="panel.behind.reach")
    tip = _pick(work.tips, op.tool, "tip")
    direction = normal if op.kind == "push" else -normal
    contact = set_tip(work.model, state, tip.body, place, direction, limits.travel_mm, along)
    return Load(contact, limits.travel_mm, limits.push_force_N, limits.paint_strain, probe,
                op.goal_mm)


def _pick(tools, name: str, sort: str):
    for tool in tools:
        if tool.name == name:
            return tool
    names = [tool.name for tool in tools]
    near = nearest(name, names)
    hint = f"'{near}'" if near else "one of " + ", ".join(names)
    raise InputError(f"{sort} '{name}' is not in the kit", hint, key="tool")
