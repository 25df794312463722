"""What every strategy shares: which spots are still worth working, with which tool.

All of it is common practice, no source: a shop's own order of work can be written as another
strategy without touching this.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from simkit.inspection.spots import Spot
from simkit.mechanics.outcome import Outcome
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.steprow import StepRow

NEAR_MM = 10.0
"""Operations this near count as at the same place."""
LITTLE_MM, LITTLE_SHARE = 0.02, 0.1
"""An operation that changes its place by less than both was in vain."""
FINE = 0.35
"""Share of the tolerance above which a spot is worked while only the slope is out of its limit."""
PUSH_BELOW_MM = 0.5
"""Lows shallower than this are pushed from behind where a tool reaches, deeper ones pulled."""


class Strategy(Protocol):
    """A way to go about a repair; a pure function of what was done and is seen so far."""

    @property
    def name(self) -> str:
        """As the case file and the tables call it."""

    def next(self, session: Session) -> Operation | None:
        """The next operation, or None where nothing promises anything."""


def open_spots(session: Session) -> list[Spot]:
    """Spots beyond the tolerance, largest first; finer ones where only the slope is too much.

    Spots at which the last tries were in vain are left out.
    """
    case = session.work.case
    spots = list(session.spots())
    if not spots and not session.now.row.flat:
        spots = list(session.spots(FINE * case.goal.tolerance_mm))
    return [spot for spot in spots if operation_for(session, spot) is not None]


def operation_for(session: Session, spot: Spot) -> Operation | None:
    """The operation that fits a spot, or None where all that fit were in vain."""
    if spot.kind == "high":
        kinds = ["tap-down"]
    else:
        reach = session.work.reaches(spot.x_mm, spot.y_mm)
        kinds = ["pull"] if session.work.tabs else []
        if reach and session.work.tips:
            kinds.insert(0 if abs(spot.height_mm) < PUSH_BELOW_MM else 1, "push")
    for kind in kinds:
        for tool in tools_for(session, kind, spot):
            if not in_vain(session, kind, tool, spot):
                return Operation(kind, tool, round(spot.x_mm, 3), round(spot.y_mm, 3), 0.0,
                                 round(spot.angle_deg, 3))
    return None


def tools_for(session: Session, kind: str, spot: Spot) -> list[str]:
    """Tools of the kit for a spot, best first: the widest that the spot's short axis holds, then
    wider ones (more glue, more force), then narrower ones."""
    if kind == "pull":
        sized = sorted((tab.width_mm, tab.name) for tab in session.work.tabs)
    else:
        sized = sorted((2.0 * tip.body.nose_radius_mm, tip.name) for tip in session.work.tips)
    fitting = [name for size, name in sized if size <= spot.short_mm]
    wider = [name for size, name in sized if size > spot.short_mm]
    first = fitting[-1:] or wider[:1]
    return first + [n for n in wider if n not in first] + [
        n for n in reversed(fitting) if n not in first]


def in_vain(session: Session, kind: str, tool: str, spot: Spot) -> bool:
    """Whether this operation was tried here and did little, or not at all, since the panel last
    changed much nearby."""
    for step in reversed(session.steps[1:]):
        row = step.row
        if np.hypot(row.x_mm - spot.x_mm, row.y_mm - spot.y_mm) > NEAR_MM:
            if _changed(row) > 5.0 * LITTLE_MM:
                return False
            continue
        if row.operation == kind and row.tool == tool:
            wanted = abs(row.goal_mm - row.before_mm)
            failed = not Outcome(row.outcome).valid
            return failed or (_changed(row) < LITTLE_MM + 1e-9
                              or _changed(row) < LITTLE_SHARE * wanted)
    return False


def _changed(row: StepRow) -> float:
    return abs(row.released_mm - row.before_mm)
