"""Pushes by a wedge: the brace it stands on, the gap it is driven into."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from simkit.case import Case
from simkit.errors import InputError
from simkit.inspection.sampling import probe_at
from simkit.mechanics.model import State
from simkit.mechanics.stepping.orders import Advance
from simkit.repair.access import inside
from simkit.repair.workpiece import Workpiece
from simkit.tool.wedges import Wedge

if TYPE_CHECKING:
    from simkit.repair.operations import Operation


@dataclass(frozen=True)
class Wedged:
    """A wedge at its place: the brace's name, the clearance between it and the inner face there,
    and the largest rise, mm."""

    wedge: Wedge
    brace: str
    clearance_mm: float
    rise_mm: float

    def told(self, done: Advance) -> Advance:
        """The result of the operation with force and length of the drive."""
        if not done.path:
            return done
        drive = done.force_N * self.wedge.drive_per_lift
        deep = self.wedge.driven_mm(self.clearance_mm, done.travel_mm)
        return replace(done, reason=f"{done.reason}; driven {deep:.0f} mm in with {drive:.0f} N, "
                       f"{self.brace} bears {done.force_N:.0f} N")


def wedge_of(case: Case, name: str) -> Wedge | None:
    """The wedge of the kit of a name; None if there is none."""
    for own in case.kit.wedges:
        if own.name == name:
            return Wedge(own.name, own.face_mm, own.width_mm, own.nose_mm, own.edge_mm,
                         own.thick_mm, own.length_mm, own.friction, own.drive_N)
    return None


def set_wedge(work: Workpiece, state: State, wedge: Wedge, op: Operation) -> Wedged:
    """A wedge in the gap at the place of an operation.

    Raises
    ------
    InputError : an operation that a wedge cannot do, no brace behind the place, a gap that it does
        not fit.
    """
    if op.kind not in ("push", "hold") or op.is_pass or op.hammer:
        raise InputError(f"{op.kind} by wedge '{wedge.name}'"
                         + (" as a pass" if op.is_pass else ""),
                         "single pushes, or a locked hold", key="tool")
    if op.kind == "hold" and not (op.way == "locked" and wedge.locks):
        raise InputError(
            f"hold {op.way} by wedge '{wedge.name}'", "a locked hold" if wedge.locks else
            "nothing: its taper is too steep to stay in by friction", key="way")
    name, gap = brace_behind(work.case, op.x_mm, op.y_mm)
    # the inner face has moved with the sheet; its thinning is neglected
    clearance = gap + probe_at(work.model, op.x_mm, op.y_mm).read(state.displacement)
    return Wedged(wedge, name, clearance, wedge.rise_mm(clearance))


def brace_behind(case: Case, x_mm: float, y_mm: float) -> tuple[str, float]:
    """Name of the nearest brace or obstacle behind a place, and its distance from the undamaged
    inner face, mm.

    Raises
    ------
    InputError : nothing is behind the place.
    """
    x, y = np.array([x_mm]), np.array([y_mm])
    found = [(bed.gap_mm, bed.name) for bed in case.panel.supports if inside(bed, x, y)[0]]
    found += [(one.from_mm, one.name) for one in case.panel.behind.obstacles
              if inside(one, x, y)[0]]
    if not found:
        raise InputError(f"wedge at x {x_mm:g} mm, y {y_mm:g} mm: nothing stands behind",
                         "a place before one of panel.supports or panel.behind.obstacles",
                         key="panel.supports")
    gap, name = min(found)
    return name, gap
