"""Checks of a case that need its data files, the grades and the tools."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any

from simkit.case import Case, load_case, with_settings
from simkit.case.crosschecks import tab_fits
from simkit.case.plan import plan_bounds
from simkit.case.vary import set_here
from simkit.checks.size import check_size
from simkit.dent.heights import read_heights
from simkit.errors import InputError, InputErrors
from simkit.inspection.measured import wanted_spots
from simkit.material.grades import grade_names
from simkit.measurement.read import read_dent
from simkit.repair.meshing import check_spots
from simkit.repair.workpiece import minutes_of, named_glue, panel_sheet, plain
from simkit.tool.catalogue import Catalogue, find_tab, find_tip, with_files

ELEMENT_OVER_TIP = 2.0
"""Largest element size divided by the radius of a tip. Contact is tested at four points across an
element; with this limit their distance is at most half a radius."""


def check_grade(case: Case) -> None:
    """The sheet grade can be loaded, and its law can be made for the panel's forming and baking."""
    panel_sheet(case)


def check_dent(case: Case) -> None:
    """The depth field can be read and lies on the panel; mesh and grid can represent it."""
    depth = read_dent(case.dent, plan_bounds(case.panel))
    check_size(case, depth)
    if depth is not None:
        check_spots(case, wanted_spots(depth, case.goal.tolerance_mm))


def check_kit(case: Case) -> None:
    """Every catalogue can be read, every tool is known, every tab fits on the panel, and the mesh
    is fine enough for every tip."""
    tools, kit = with_files(case.kit.catalogues), case.kit
    checks: dict[str, Callable[[], object]] = {
        **{f"kit.tabs[{k}]": partial(_check_tab, case, spec, tools)
           for k, spec in enumerate(kit.tabs)},
        **{f"kit.tips[{k}]": partial(_check_tip, case, spec, tools)
           for k, spec in enumerate(kit.tips)},
        "kit.glue": partial(named_glue, case, plain(kit.glue))}
    faults = []
    for key, check in checks.items():
        try:
            check()
        except InputError as error:
            if error.key in (None, "tab", "tip", "glue", "kit.tabs", "kit.tips"):
                error.key = key
            faults.append(error)
    if faults:
        raise InputErrors(tuple(faults))


def _check_tab(case: Case, spec: Any, tools: Catalogue) -> None:
    tab = find_tab(plain(spec), tools)
    problem = tab_fits(case.panel, tab.length_mm, tab.width_mm)
    if problem is not None:
        raise InputError(problem, "a tab smaller than the panel", key="kit.tabs")


def _check_tip(case: Case, spec: Any, tools: Catalogue) -> None:
    tip = find_tip(plain(spec), tools)
    radius, thickness = tip.body.nose_radius_mm, case.panel.thickness_mm
    if radius < thickness:
        raise InputError(
            f"tip of radius {radius:g} mm on a sheet of {thickness:g} mm: a radius below the "
            "thickness would cut the sheet", "a blunter tip", key="kit.tips")
    if case.mesh.fine_mm > ELEMENT_OVER_TIP * radius:
        raise InputError(
            f"elements of {case.mesh.fine_mm:g} mm are too coarse for the tip {tip.name}, rounded "
            f"to {radius:g} mm", f"at most {ELEMENT_OVER_TIP * radius:g} mm", key="mesh.fine_mm")


def check_surface(case: Case) -> None:
    """A measured surface can be read and covers the panel's plan."""
    if case.panel.heights_csv is not None:
        read_heights(case.panel.heights_csv, plan_bounds(case.panel))


def check_times(case: Case) -> None:
    """The table of minutes can be read."""
    minutes_of(case)


DEEPER_CHECKS: tuple[Callable[[Case], object], ...] = (
    check_grade, check_surface, check_dent, check_kit, check_times)
"""Checks that need more than the case file itself: each takes the case and raises InputError or
InputErrors."""


def check_case(path: str, settings: Mapping[str, Any] | None = None) -> Case:
    """Load a case and run every check; InputError or InputErrors names all errors.

    settings : keys set beside the file, dotted, with their values.
    """
    case = load_case(path, grades=grade_names())
    if settings:
        case = with_settings(case, settings, grade_names())
    errors = tuple(set_here(error, case.settings) for error in deeper_errors(case))
    if errors:
        raise InputErrors(errors)
    return case


def deeper_errors(case: Case) -> Iterator[InputError]:
    """Errors found by all DEEPER_CHECKS; the case file's name is added if no file is named."""
    for check in DEEPER_CHECKS:
        try:
            check(case)
        except (InputErrors, InputError) as found:
            for error in found.errors if isinstance(found, InputErrors) else (found,):
                if error.file is None:
                    error.file = str(case.file)
                yield error
