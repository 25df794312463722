"""Summary of a case, and how well the depth field fits its readings."""

from __future__ import annotations

from typing import Any

from simkit.case import Case, set_words
from simkit.case.blows import GivenBlow
from simkit.case.dent import CreaseLine, Dent, High, Kink, Shape
from simkit.case.panel import Panel
from simkit.case.repair import STAGE_NAMES, Goal
from simkit.checks.noise import noise_unrest
from simkit.dent.field import DepthField
from simkit.repair.reversed_test import law_words
from simkit.repair.workpiece import range_mark


def summary(case: Case) -> list[tuple[str, str]]:
    """Summary of what the case will compute, as pairs of a keyword and a line of text."""
    mesh, kit, limits, goal = case.mesh, case.kit, case.limits, case.goal
    tools = [tool if isinstance(tool, str) else tool.name for tool in (*kit.tabs, *kit.tips)]
    glue = kit.glue if isinstance(kit.glue, str) else kit.glue.name
    return [
        ("case", f"{case.title} ({case.file})"),
        *([("set", set_words(case))] if case.settings else []),
        ("panel", _panel_text(case.panel)),
        ("sheet", ", ".join([f"{case.panel.thickness_mm:g} mm, {case.panel.grade}",
                             *law_words(case.panel.model_dump())])),
        ("edges", _edges_text(case.panel)),
        ("behind", _behind_text(case.panel)),
        ("mesh", f"{mesh.fine_mm:g} mm at the dent to {mesh.coarse_mm:g} mm away, degree "
                 f"{mesh.degree}, {mesh.layers} layers"),
        ("dent", _dent_text(case.dent)),
        ("history", _history_text(case)),
        ("kit", f"{', '.join(tools)}; glue {glue}"),
        ("limits", f"{limits.steps} steps, {_minutes(limits.minutes)}pull "
                   f"{limits.pull_force_N:g} N, push {limits.push_force_N:g} N, travel "
                   f"{limits.travel_mm:g} mm, strain at the paint {limits.paint_strain:g}"),
        ("flat", f"{goal.stage}: {_stage_text(goal, goal.stage)} over {goal.slope_base_mm:g} mm"),
        ("stages", "; ".join(f"{name} {_stage_text(goal, name)}" for name in STAGE_NAMES)),
        ("strategies", ", ".join(case.strategies)),
    ]


def _stage_text(goal: Goal, stage: str) -> str:
    height, slope = goal.limits_of(stage)
    steep = "any slope" if slope == float("inf") else f"{slope:g} mrad"
    return f"within {height:g} mm and {steep}"


def _history_text(case: Case) -> str:
    if case.dent is not None and case.dent.blows:
        return "the blows as given; no search"
    return (f"{case.history.method} from the {case.history.side}, matched to "
            f"{case.history.match_mm:g} mm")


def _panel_text(panel: Panel) -> str:
    if panel.outline == "disc":
        size = f"disc of radius {panel.radius_mm:g} mm"
    else:
        size = f"{panel.length_x_mm:g} x {panel.length_y_mm:g} mm"
    radii = [f"{radius:g} mm in {axis}" for axis, radius in
             (("x", panel.radius_x_mm), ("y", panel.radius_y_mm)) if radius is not None]
    return f"{size}, {panel.surface}" + (", radius " + ", ".join(radii) if radii else "")


def _edges_text(panel: Panel) -> str:
    if panel.outline == "disc":
        return _hold_text(panel.edge or "held")
    sides = {side: _hold_text(getattr(panel.edges, side)) for side in
             ("left", "right", "bottom", "top")}
    if len(set(sides.values())) == 1:
        return "all " + sides["left"]
    return ", ".join(f"{side} {hold}" for side, hold in sides.items())


def _hold_text(hold: Any) -> str:
    return hold if isinstance(hold, str) else f"spring {hold.spring_N_per_mm2:g} N/mm^2"


def _behind_text(panel: Panel) -> str:
    beds = ", ".join(bed.name for bed in panel.supports) or "no supports"
    reach = panel.behind.reach
    where = reach if isinstance(reach, str) else f"{len(reach)} rectangles"
    through = ", ".join(opening.name for opening in panel.behind.openings)
    return f"{beds}; tools reach {where}" + (f"; rods through {through}" if through else "")


def _dent_text(dent: Dent | None) -> str:
    if dent is None:
        return "none (virgin panel)"
    if dent.blows:
        return "made by " + ", then ".join(_blow_text(blow) for blow in dent.blows)
    noise = f", noise {dent.noise_mm:g} mm"
    readings = [f"{word} from {file.name}" for word, file in
                (("points", dent.points_csv), ("sections", dent.sections_csv)) if file is not None]
    if readings:
        lines = [f"{len(dent.outlines)} outlines"] if dent.outlines else []
        return " + ".join(readings + lines) + noise
    if dent.scan is not None:
        return (f"scan {dent.scan.file.name} in {dent.scan.unit}, its deepest low at "
                f"({dent.scan.x_mm:g}, {dent.scan.y_mm:g}){noise}")
    if dent.grid_csv is not None:
        return f"grid from {dent.grid_csv.name}{noise}"
    return " + ".join(_shape_text(shape) for shape in dent.shapes or ()) + noise


def _shape_text(shape: Shape) -> str:
    size = f"{getattr(shape, 'depth_mm', 0.0) or getattr(shape, 'height_mm', 0.0):g} mm"
    if isinstance(shape, CreaseLine):
        first, last = shape.line[0], shape.line[-1]
        return (f"crease {size} deep, {shape.width_mm:g} mm wide, from ({first.x_mm:g}, "
                f"{first.y_mm:g}) to ({last.x_mm:g}, {last.y_mm:g})")
    at = f"at ({shape.x_mm:g}, {shape.y_mm:g})"
    if isinstance(shape, Kink):
        return f"kink of the edge {size} deep, {shape.width_mm:g} x {shape.reach_mm:g} mm {at}"
    high = "high" if isinstance(shape, High) else "deep"
    return f"{shape.kind} {shape.length_mm:g} x {shape.width_mm:g} mm, {size} {high} {at}"


def told_apart(case: Case, depth: DepthField | None) -> list[tuple[str, str]]:
    """The finest stage that can be verified in spite of the noise of the readings, as a keyword and
    a line."""
    if case.dent is None or depth is None:
        return []
    unrest = noise_unrest(case.dent, depth, case.goal.slope_base_mm, case.seed)
    if unrest is None:
        return []
    seen = [stage for stage in STAGE_NAMES
            if unrest.height_mm <= case.goal.limits_of(stage)[0]
            and unrest.slope_mrad <= case.goal.limits_of(stage)[1]]
    verdict = (f"the finest stage that these readings can verify is {seen[-1]}" if seen
               else "these readings can verify no stage")
    return [("noise", f"{case.dent.noise_mm:g} mm in {unrest.count} readings changes the field by "
                      f"up to {unrest.height_mm:.2f} mm and {unrest.slope_mrad:.1f} mrad: "
                      f"{verdict}")]


def in_range(case: Case, depth: DepthField | None) -> list[tuple[str, str]]:
    """A keyword and a line if the strain of the dent's shape is beyond the range of the sheet's
    law."""
    mark = None if depth is None else range_mark(case, depth)
    return [] if mark is None else [("range", mark.sentence())]


def _blow_text(blow: GivenBlow) -> str:
    end = next(f"{words} {getattr(blow, key):g} {unit}" for key, words, unit in (
        ("depth_mm", "to leave", "mm"), ("travel_mm", "travelling", "mm"),
        ("energy_J", "giving", "J")) if getattr(blow, key) is not None)
    return (f"{blow.body} R {blow.radius_mm:g} at ({blow.x_mm:g}, {blow.y_mm:g}) from "
            f"{blow.side}, {end}")


def measured(depth: DepthField | None) -> list[tuple[str, str]]:
    """How well the depth field fits the readings, as pairs of a keyword and a line of text."""
    if depth is None or depth.quality.rms_misfit_mm is None:
        return []
    quality = depth.quality
    text = f"{depth.source}: low {depth.lowest_mm:+.2f}, high {depth.highest_mm:+.2f} mm; "
    text += f"the field differs from the readings by {quality.rms_misfit_mm:.3f} mm rms"
    lines = [("readings", text)]
    if quality.rms_left_out_mm is not None:
        text = f"each predicted from the others: {quality.rms_left_out_mm:.3f} mm rms"
        if quality.rms_section_out_mm is not None:
            text += f", each section from the others: {quality.rms_section_out_mm:.3f} mm rms"
        if quality.worst_left_out_mm is not None and quality.worst_place is not None:
            text += f"; worst {quality.worst_left_out_mm:+.2f} mm, {quality.worst_place}"
        lines.append(("left out", text))
    if quality.next_places:
        places = ", ".join(f"({x:.0f}, {y:.0f}) {error:.2f}" for x, y, error in
                           quality.next_places)
        lines.append(("next", f"measure at (x, y), expected error in mm: {places}"))
    return lines + [("note", note) for note in quality.notes]


def _minutes(minutes: float | None) -> str:
    return "" if minutes is None else f"{minutes:g} minutes, "
