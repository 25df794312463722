"""A case prepared for computation: model, tools, limits, goal, access, sampling."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simkit.case import Case
from simkit.case.panel import Panel, SpringEdge, Support
from simkit.case.plan import plan_bounds
from simkit.dent.field import DepthField
from simkit.dent.strain import BeyondLaw, beyond_law, strain_from_shape
from simkit.errors import InputError
from simkit.inspection.measured import WantedSpot, narrowest, wanted_spots
from simkit.inspection.sampling import Sampling, make_sampling
from simkit.kernels.teamwork import cores
from simkit.material.forming import formed_sheet, scaled_sheet
from simkit.material.grades import load_grade
from simkit.material.hardening import Sheet
from simkit.measurement.read import read_dent
from simkit.mechanics.beds import spring_bed
from simkit.mechanics.model import Model, build_model
from simkit.panel.edges import EDGES, SIDES, Edge
from simkit.panel.surface import Window
from simkit.repair.access import inside, way_to
from simkit.repair.meshing import make_patch, remarks
from simkit.repair.reversed_test import fit_remarks, own_sheet, with_fall
from simkit.repair.rolling import rolled_sheet
from simkit.repair.window import fine_window
from simkit.shell.springs import SpringSet
from simkit.spline.patch import Patch
from simkit.tool.catalogue import Tip, find_glue, find_tab, find_tip, with_files
from simkit.tool.glue import Glue
from simkit.tool.tabs import Tab
from simkit.tool.times import load_times


@dataclass(frozen=True)
class Workpiece:
    """A panel and the kit of tools.

    Attributes
    ----------
    case : the case as read; model : the panel; depth : the measured depth field (None: undamaged,
        or made by the case's blows).
    tabs, tips, glue : the kit; sampling : grid on which deviations are evaluated.
    window : rectangle with fine elements; minutes : table of times by operation.
    spots : lows and highs of the depth field; close : grid around them for the comparison of the
        reconstruction.
    remarks : deviations from the case file, one sentence each.
    finer : the same panel on the finer mesh on which the repair goes on
        (:mod:`simkit.repair.levels`); None if there is none.
    outside : whether it is worked from outside only, whatever reaches the inner face.
    """

    case: Case
    model: Model
    depth: DepthField | None
    tabs: tuple[Tab, ...]
    tips: tuple[Tip, ...]
    glue: Glue
    sampling: Sampling
    window: Window
    minutes: Mapping[str, float]
    spots: tuple[WantedSpot, ...]
    close: Sampling
    remarks: tuple[str, ...] = ()
    finer: Workpiece | None = None
    outside: bool = False

    def reaches(self, x_mm: float, y_mm: float) -> bool:
        """Whether a push tool reaches the inner face there."""
        return not self.outside and way_to(self.case, x_mm, y_mm) is not None

    def from_outside(self) -> Workpiece:
        """The same panel, worked from outside only."""
        return replace(self, outside=True,
                       finer=None if self.finer is None else self.finer.from_outside())

    def glue_named(self, name: str) -> Glue:
        """A glue of the catalogues at the case's temperature and age; without a name, the kit's.

        Raises
        ------
        InputError : no such glue.
        """
        return named_glue(self.case, name) if name else self.glue


def make_workpiece(case: Case, solver: str = "auto", threads: int = 1,
                   coarser: float = 1.0) -> Workpiece:
    """Build everything that a case describes; ``coarser`` scales the element size (for searches).

    No more threads are started than there are processors.

    Raises
    ------
    InputError : dent data that cannot be used, unknown tool.
    """
    extent = plan_bounds(case.panel)
    depth = read_dent(case.dent, extent)
    sheet = panel_sheet(case)
    blows = None if case.dent is None else case.dent.blows
    spots = () if depth is None else wanted_spots(depth, case.goal.tolerance_mm)
    window, seen = fine_window(depth, blows, case.panel, extent, spots), narrowest(spots)
    patch, finest = make_patch(case, extent, window, spots, coarser)
    step = 0.5 * case.mesh.fine_mm
    model = build_model(
        patch, sheet, case.panel.thickness_mm, _edges(case.panel), case.mesh.layers,
        braces=tuple(bed_of(patch, s) for s in case.panel.supports if not s.bent_with_panel),
        solver=solver, threads=min(threads, cores()))
    tools = with_files(case.kit.catalogues)
    return Workpiece(
        case=case, model=model, depth=depth,
        tabs=tuple(find_tab(plain(t), tools) for t in case.kit.tabs),
        tips=tuple(find_tip(plain(t), tools) for t in case.kit.tips),
        glue=named_glue(case, plain(case.kit.glue)),
        sampling=make_sampling(patch, extent, step, seen), window=window,
        minutes=minutes_of(case), spots=spots,
        close=make_sampling(patch, (window.x_from, window.x_to, window.y_from, window.y_to),
                            step, 0.5 * seen),
        remarks=remarks(case, spots, finest) + fit_remarks(sheet, case.panel.reversed_test))


def named_glue(case: Case, glue: Any) -> Glue:
    """A glue by its name in the catalogues or by its own numbers, as the case's kit uses it."""
    kit = case.kit
    return find_glue(glue, with_files(kit.catalogues)).at(kit.panel_temperature_C,
                                                          kit.glue_age_min)


def minutes_of(case: Case) -> dict[str, float]:
    """The case's table of times: its own numbers, then its file's, then simkit's.

    Raises
    ------
    InputError : a file of times that cannot be used.
    """
    table = load_times(case.times.file)
    for name in table:
        own = getattr(case.times, f"{name}_min")
        if own is not None:
            table[name] = own
    return table


def bed_of(patch: Patch, support: Support) -> SpringSet:
    """The spring bed of a support, under the undamaged panel."""
    return spring_bed(patch, _covers(support), support.stiffness_N_per_mm3, support.gap_mm,
                      support.bonded)


def panel_sheet(case: Case) -> Sheet:
    """The panel's sheet after forming and paint baking.

    Raises
    ------
    InputError : a grade that is baked already, baked again; pre-strain beyond the law.
    """
    panel = case.panel
    if panel.bake_MPa > 0.0 and panel.grade.endswith("-baked"):
        raise InputError(f"bake_MPa {panel.bake_MPa:g} on {panel.grade}, which is baked already",
                         "the grade as delivered, or no bake_MPa", file=str(case.file),
                         key="panel.bake_MPa")
    try:
        sheet = own_sheet(load_grade(panel.grade).sheet(), panel.reversed_test)
    except InputError as error:
        raise error if error.file else InputError(
            error.what, error.expected, file=str(case.file), key="panel.grade") from error
    try:
        sheet = with_fall(sheet, panel.modulus_fall)
    except InputError as error:
        raise InputError(error.what, error.expected, file=str(case.file),
                         key=f"panel.modulus_fall.{error.key}") from error
    try:
        sheet = formed_sheet(sheet, panel.prestrain, panel.bake_MPa)
        sheet = scaled_sheet(sheet, 0.01 * panel.flow_stress_pct)
    except InputError as error:
        raise InputError(error.what, error.expected, file=str(case.file),
                         key="panel.prestrain") from error
    try:
        return rolled_sheet(sheet, panel.rolling, load_grade(panel.grade).directions())
    except InputError as error:
        raise InputError(error.what, error.expected, file=str(case.file),
                         key=f"panel.rolling.{error.key or 'criterion'}") from error


def range_mark(case: Case, depth: DepthField) -> BeyondLaw | None:
    """A remark if the shape of a dent alone exceeds the range of the sheet's law."""
    panel = case.panel
    radii = (panel.radius_x_mm or np.inf, panel.radius_y_mm or np.inf)
    strain = strain_from_shape(depth, panel.thickness_mm, radii_mm=radii)
    return beyond_law(strain, panel_sheet(case).strain_range)


def plain(item):
    """A tool's catalogue name, or its own description as a mapping."""
    return item if isinstance(item, str) else item.model_dump()


def _edges(panel: Panel) -> dict[str, Edge]:
    if panel.outline == "disc":
        return {side: _edge(panel.edge or "held") for side in SIDES}
    return {side: _edge(getattr(panel.edges, side)) for side in SIDES}


def _edge(hold: str | SpringEdge) -> Edge:
    if isinstance(hold, str):
        return EDGES[hold]
    return Edge(spring_N_per_mm2=hold.spring_N_per_mm2, rotation_N=hold.rotation_N)


def _covers(support):
    return lambda x, y: inside(support, x, y)
