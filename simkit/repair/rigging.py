"""Tabs set as an operation asks: alone, under a lifter, in a row under a beam, or drawn apart."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from simkit.case import Case
from simkit.errors import InputError, nearest
from simkit.inspection.sampling import point_on
from simkit.mechanics.contact.attach import glue_tab
from simkit.mechanics.contact.lifter import stand_over
from simkit.mechanics.contact.rigs import set_beam, set_spreader
from simkit.mechanics.contact.tabs import GluedTab
from simkit.mechanics.model import State
from simkit.repair.workpiece import Workpiece
from simkit.tool.lifters import Lifter
from simkit.tool.rigs import Beam, Spreader
from simkit.tool.tabs import Tab

if TYPE_CHECKING:
    from simkit.repair.operations import Operation

Array = NDArray[np.float64]


class Named(Protocol):
    """A tool with a name."""

    @property
    def name(self) -> str:
        """Name in tables."""


T = TypeVar("T", bound=Named)


def pick(tools: Sequence[T], name: str, sort: str) -> T:
    """The tool of a name; raises InputError if the kit has none."""
    for tool in tools:
        if tool.name == name:
            return tool
    names = [tool.name for tool in tools]
    near = nearest(name, names)
    hint = (f"'{near}'" if near else "one of " + ", ".join(names) if names
            else f"one under kit.{sort}s of the case")
    raise InputError(f"{sort} '{name}' is not in the kit", hint, key="tool")


def check_rig(op: Operation, by_tip: bool) -> None:
    """Raise InputError for a rig that this operation cannot have."""
    for sort in ("lifter", "beam", "spreader"):
        if getattr(op, sort) and (by_tip or op.way != "following"):
            raise InputError(f"{op.kind} {op.way} by a {sort}", "a pull, or a hold that follows",
                             key=sort)
    if op.spreader and (op.beam or op.lifter):
        raise InputError(f"{op.kind} by a spreader and a {'beam' if op.beam else 'lifter'}",
                         "one of them", key="spreader")
    if op.spreader and op.energy_mJ is not None:
        raise InputError(f"{op.kind} by a spreader with a blow", "'by' and a force, or 'to'",
                         key="energy_mJ")


def places_of(case: Case, op: Operation) -> list[tuple[float, float]]:
    """Places (x, y) in plan of the tabs of an operation, mm.

    Raises
    ------
    InputError : a beam or spreader that is not in the kit.
    """
    if not (op.beam or op.spreader):
        return [(op.x_mm, op.y_mm)]
    offsets = _beam(case, op.beam).offsets() if op.beam else _spreader(
        case, op.spreader).offsets()
    angle = np.radians(op.angle_deg)
    return [(float(op.x_mm + u * np.cos(angle)), float(op.y_mm + u * np.sin(angle)))
            for u in offsets]


def set_tabs(work: Workpiece, state: State, op: Operation, tab: Tab) -> GluedTab:
    """The tab or tabs of a pull or hold, glued on and set under what draws them.

    Raises
    ------
    InputError : a rig that is not in the kit or does not fit, tabs off the panel.
    """
    model, glue = work.model, work.glue_named(op.glue)
    at, normal = point_on(model, state, op.x_mm, op.y_mm)
    angle = np.radians(op.angle_deg)
    along = np.array([np.cos(angle), np.sin(angle), 0.0])
    places, normals = (np.array(part) for part in zip(*(
        point_on(model, state, x, y) for x, y in places_of(work.case, op)), strict=True))
    covers = tab
    if op.spreader:
        return set_spreader(model, state, tab, glue, places, normals,
                            _spreader(work.case, op.spreader))
    if op.beam:
        beam = _beam(work.case, op.beam)
        covers = beam.row(tab)
        glued = set_beam(model, state, tab, glue, places, normal, along, beam)
    else:
        glued = glue_tab(model, state, tab, glue, at, normal, along)
    if op.lifter:
        return stand_over(model, state, glued, covers, at, _lifter(work.case, op.lifter))
    return glued


def _lifter(case: Case, name: str) -> Lifter:
    own = pick(case.kit.lifters, name, "lifter")
    return Lifter(own.name, own.span_mm, own.width_mm, own.pad_mm, own.pad_N_per_mm)


def _beam(case: Case, name: str) -> Beam:
    own = pick(case.kit.beams, name, "beam")
    return Beam(own.name, own.tabs, own.spacing_mm, own.way)


def _spreader(case: Case, name: str) -> Spreader:
    own = pick(case.kit.spreaders, name, "spreader")
    return Spreader(own.name, own.apart_mm, own.height_mm)
