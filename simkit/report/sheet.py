"""A work sheet for use at the panel: the panel to scale with numbered places, and the steps."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simkit.errors import InputError
from simkit.files import write_atomic
from simkit.mechanics.outcome import Outcome
from simkit.record.read import Field, RunRecord, StepRecord
from simkit.report.facts import case_of
from simkit.show.region import Region, extent
from simkit.show.setting import Setting, draw_behind, draw_tools, read_setting, rig_of
from simkit.show.style import GREY, INK, kind_of, look, place, shorten, signed
from simkit.show.workmap import draw_passes, number_places, pass_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Line = list[tuple[str, bool]]
"""Texts of one line of the table, each with whether it is bold."""
IN_PER_MM = 1.0 / 25.4
PAGE_WIDTH_MM, PAGE_HEIGHT_MM = 210.0, 297.0  # A4, ISO 216 (MEMORY)
LEFT, RIGHT, TOP, BOTTOM = 15.0, 195.0, 284.0, 12.0
SCALES = (1, 2, 2.5, 3, 4, 5, 10, 20)
ROW_HEIGHT_MM = 7.6
RULER_LENGTH_MM = 100.0
COLUMNS = (  # heading, unit, left edge in mm
    ("step", "", 20.0), ("do", "", 28.0), ("tool", "", 44.0), ("from left", "mm", 66.0),
    ("bottom", "mm", 81.0), ("under load", "mm", 95.0), ("released", "mm", 113.0),
    ("stop at", "N", 128.0), ("watch", "", 140.0), ("you read", "mm", 181.0))
WATCH = {"pull": "tab may come off", "push": "stop at the height",
         "tap-down": "small blows", "hold": "stand beside its line", "let-down": "slowly"}


def write_sheet(record: RunRecord, path: Path) -> Path:
    """Write the work sheet of a run as PDF, A4, one or two pages.

    Raises
    ------
    InputError : a run without its case, or a place that cannot be written.
    """
    from matplotlib.backends.backend_pdf import PdfPages

    case = case_of(record)["case"]
    lines = lines_of(record)
    out = io.BytesIO()
    with look(), PdfPages(out, metadata={"CreationDate": None, "Producer": "simkit"}) as pages:
        first, count = _first(record, case, lines)
        pages.savefig(first)
        if len(lines) > count:
            pages.savefig(_second(record, lines[count:]))
    try:
        write_atomic(path, out.getvalue())
    except OSError as error:
        raise InputError(f"cannot write the work sheet ({error.strerror})",
                         "a folder that can be written; see --out", str(path)) from error
    return path


def for_a_hand(record: RunRecord) -> tuple[StepRecord, ...]:
    """The steps that a hand carries out: without the dent and changes of the mesh."""
    return tuple(step for step in record.steps[1:]
                 if step.outcome != Outcome.CARRIED_OVER.value)


def lines_of(record: RunRecord) -> list[Line]:
    """Lines of the table: one for each step, and for each further touch of a pass at chosen places.
    """
    panel = extent(record.fields[0])
    lines = []
    for step in for_a_hand(record):
        lines.append(_cells(step, panel))
        asked = pass_of(step)
        for x, y, height in asked.further if asked is not None else ():
            words = ("", "and at", "", _whole(x - panel.x0), _whole(y - panel.y0), "",
                     _height(height), "", "")
            lines.append([(word, False) for word in words])
    return lines


def _first(record: RunRecord, case: Mapping[str, Any], lines: Sequence[Line]
           ) -> tuple[Figure, int]:
    """The first page, and how many lines it holds."""
    fig = _page()
    _text(fig, LEFT, TOP, record.title, size=15, bold=True)
    _text(fig, LEFT, TOP - 6.5, f"Work sheet \u00b7 {record.strategy} \u00b7 "
          f"{case['panel']['thickness_mm']:g} mm {case['panel']['grade']} \u00b7 flat within "
          f"\u00b1{record.tolerance_mm:g} mm \u00b7 a plan from a calculation: try each step "
          "gently", size=8, colour="#555555")
    top = _plan(fig, record, read_setting(record.folder), TOP - 11.0, 128.0) - 7.0
    count = _rows(top)
    _table(fig, lines[:count], top)
    _footer(fig)
    return fig, count


def _rows(top: float) -> int:
    """Rows of a table that fit between its top and the footer."""
    # 8.4 mm from the heading to the first row, 12 mm for the footer.
    return int((top - 8.4 - BOTTOM - 12.0) // ROW_HEIGHT_MM) + 1


def _second(record: RunRecord, lines: Sequence[Line]) -> Figure:
    fig = _page()
    count = _rows(TOP - 9.0)
    more = sum(bool(line[0][0]) for line in lines[count:])
    _text(fig, LEFT, TOP, f"{record.title}, continued", size=12, bold=True)
    end = _table(fig, lines[:count], TOP - 9.0)
    if more > 0:
        _text(fig, LEFT, end - 5.0, f"and {more} more steps: read the panel again before them and "
              "plan anew from what is there", size=8)
    _footer(fig)
    return fig


def _plan(fig: Figure, record: RunRecord, setting: Setting, top: float, room: float) -> float:
    """Draw the panel, or only the part around the work if it is too large for the page.

    Returns the height on the page, mm, at which the drawing ends.
    """
    field = record.fields[0]
    panel = extent(field)
    window, scale, whole = _fit(panel, record, RIGHT - LEFT - 12.0, room - 12.0)
    wide, tall = (window.x1 - window.x0) / scale, (window.y1 - window.y0) / scale
    left, bottom = LEFT + 9.0, top - tall - 2.0
    ax = place(fig, left * IN_PER_MM, bottom * IN_PER_MM, wide * IN_PER_MM, tall * IN_PER_MM)
    _contours(ax, field, record.tolerance_mm)
    draw_behind(ax, setting.supports, setting.reach, window)
    steps = for_a_hand(record)
    draw_tools(ax, steps, setting.outlines, path=False)
    draw_passes(ax, steps)
    number_places(ax, steps, window, size=8.0)
    ax.set_xlim(window.x0, window.x1)
    ax.set_ylim(window.y0, window.y1)
    for axis, start in ((ax.xaxis, panel.x0), (ax.yaxis, panel.y0)):
        low, high = (window.x0, window.x1) if axis is ax.xaxis else (window.y0, window.y1)
        step = 50.0 if high - low > 250.0 else 20.0
        first = math.ceil((low - start) / step) * step
        ticks = start + np.arange(first, high - start + 1e-6, step)
        axis.set_ticks(list(ticks), [f"{t - start:.0f}" for t in ticks])
        axis.set_tick_params(labelsize=7.5, pad=1.5)
    for spine in ax.spines.values():
        spine.set(visible=True, color=INK, lw=1.2 if whole else 0.6,
                  ls="-" if whole else (0, (4, 2)))
    _text(fig, LEFT, bottom - 7.4, f"Scale 1 : {scale:g} \u00b7 mm from the panel's left and "
          "bottom edge, along the plan" + ("" if whole else " \u00b7 only the part around the work")
          + " \u00b7 thin lines: depth of the dent", size=8, colour="#444444")
    _ruler(fig, LEFT, bottom - 14.5)
    return bottom - 17.1


def _fit(panel: Region, record: RunRecord, wide: float, tall: float) -> tuple[Region, float, bool]:
    """Window, scale, and whether it is the whole panel: if that fits at 1 : 5 or larger, else the
    part around the work."""
    for scale in SCALES:
        fits = (panel.x1 - panel.x0) / scale <= wide and (panel.y1 - panel.y0) / scale <= tall
        if fits and scale <= 5:
            return panel, float(scale), True
    places = np.array([[s.x_mm, s.y_mm] for s in record.steps[1:] if np.isfinite(s.x_mm)])
    deep = np.argwhere(np.abs(np.nan_to_num(record.fields[0].d_mm)) > record.tolerance_mm)
    spots = np.column_stack([record.fields[0].x_mm[deep[:, 1]], record.fields[0].y_mm[deep[:, 0]]])
    points = np.vstack([p for p in (places, spots) if p.size])
    low, high = points.min(axis=0) - 20.0, points.max(axis=0) + 20.0
    for scale in SCALES:
        if (high[0] - low[0]) / scale <= wide and (high[1] - low[1]) / scale <= tall:
            break
    middle, half = 0.5 * (low + high), 0.5 * scale * np.array([wide, tall])
    half = np.minimum(half, 0.5 * np.array([panel.x1 - panel.x0, panel.y1 - panel.y0]))
    x = float(np.clip(middle[0], panel.x0 + half[0], panel.x1 - half[0]))
    y = float(np.clip(middle[1], panel.y0 + half[1], panel.y1 - half[1]))
    return Region(x - half[0], x + half[0], y - half[1], y + half[1]), float(scale), False


def _contours(ax: Axes, field: Field, tolerance: float) -> None:
    d = field.d_mm
    low, high = float(np.nanmin(d)), float(np.nanmax(d))
    # Levels must increase strictly, hence the set.
    levels = sorted({-tolerance, *np.linspace(low, 0.0, 6)[1:-1]} if low < -tolerance else set())
    levels += [level for level in (tolerance, 0.5 * high) if tolerance <= level < high]
    if np.isnan(d).any():  # the panel's own outline where it is no rectangle
        ax.contour(field.x_mm, field.y_mm, np.isfinite(d).astype(float), levels=[0.5],
                   colors=[INK], linewidths=1.2)
    if levels:
        ax.contour(field.x_mm, field.y_mm, d, levels=sorted(set(levels)), colors=[GREY],
                   linewidths=0.5, linestyles="solid")


def _ruler(fig: Figure, left: float, bottom: float) -> None:
    """A ruler of 100 mm, to check that the print has its true size."""
    ax = place(fig, left * IN_PER_MM, bottom * IN_PER_MM, RULER_LENGTH_MM * IN_PER_MM, 4.0
               * IN_PER_MM)
    ax.set_xlim(0.0, RULER_LENGTH_MM)
    ax.set_ylim(0.0, 4.0)
    ax.axis("off")
    ax.plot([0.0, RULER_LENGTH_MM], [0.0, 0.0], color=INK, lw=0.8, clip_on=False)
    for mm in range(0, 101):
        tall = 3.0 if mm % 10 == 0 else 2.0 if mm % 5 == 0 else 1.1
        ax.plot([mm, mm], [0.0, tall], color=INK, lw=0.45, clip_on=False)
    _text(fig, left + RULER_LENGTH_MM + 3.0, bottom + 1.0,
          "must measure 100 mm on paper: print at 100 %",
          size=7.5)


def _table(fig: Figure, lines: Sequence[Line], top: float) -> float:
    """Rows with boxes to tick and room for the reading; returns the height of the end, mm."""
    for head, unit, x in COLUMNS:
        _text(fig, x, top, head, size=7.5, colour="#555555")
        _text(fig, x, top - 3.2, unit, size=7.5, colour="#555555")
    ax = place(fig, 0.0, 0.0, PAGE_WIDTH_MM * IN_PER_MM, PAGE_HEIGHT_MM * IN_PER_MM)
    ax.set_xlim(0.0, PAGE_WIDTH_MM)
    ax.set_ylim(0.0, PAGE_HEIGHT_MM)
    ax.axis("off")
    y = top - 8.4
    for line in lines:
        if line[0][0]:
            ax.plot([LEFT, RIGHT], [y + 4.3, y + 4.3], color="#bbbbbb", lw=0.5)
        box = np.array([[0, -1], [2, -1], [2, 1], [0, 1], [0, -1]]) * 1.7
        ax.plot(LEFT + box[:, 0], y + box[:, 1], color=INK, lw=0.8)
        ax.plot([181.0, RIGHT], [y - 2.4, y - 2.4], color=INK, lw=0.5)
        for (_, _, x), (text, bold) in zip(COLUMNS, line, strict=False):
            _text(fig, x, y, text, size=8, bold=bold)
        y -= ROW_HEIGHT_MM
    return y + 4.0


def _cells(step: StepRecord, panel: Region) -> Line:
    """Texts of one row: places from the edges, heights under load and released, force limit."""
    before, wanted = step.number_of("before_mm"), step.number_of("goal_mm")
    travel = step.number_of("travel_mm")
    # A tap-down moves the sheet inward, all other operations outward.
    up = -1.0 if kind_of(step.operation) == "tap-down" else 1.0
    # Height of the place under load: that before the step, moved by the tool's travel.
    # It differs from place to place of a pass; a spreader's travel is along the sheet.
    known = pass_of(step) is None and not rig_of(step).startswith("spreader")
    load = before + up * travel if known else np.nan
    force = step.force_N
    return [(str(step.number), True), (kind_of(step.operation), True),
            (shorten(step.tool, 12), False), (_whole(step.x_mm - panel.x0), False),
            (_whole(step.y_mm - panel.y0), False), (_height(load), False),
            (_height(wanted), True), ("-" if np.isnan(force) else f"{_up(force):.0f}", False),
            (_watch(step), False)]


def _watch(step: StepRecord) -> str:
    """A hint for the step; if the calculation missed the height, the height it left."""
    left, wanted = step.number_of("released_mm"), step.number_of("goal_mm")
    asked = pass_of(step)
    if asked is not None and asked.further:
        return f"touch by touch, {len(asked.further) + 1} places"
    if asked is not None and asked.spread is not None:
        size = f"{asked.spread.length_mm:.0f} x {asked.spread.width_mm:.0f}"
        return f"all crosses, {size} mm"
    rig, off = rig_of(step), "glue" in step.outcome.lower()
    if rig:
        return f"{shorten(rig, 14)}: tab came off" if off else f"by {shorten(rig, 24)}"
    if off:
        return f"tab came off, left {_height(left)}"
    if abs(left - wanted) > 0.05:
        return f"ended, left {_height(left)}"
    return WATCH.get(kind_of(step.operation), "")


def _up(force: float) -> float:
    """Force limit, N: the computed force plus 10 %, rounded up to a multiple of 10."""
    return 10.0 * math.ceil(0.11 * force)


def _whole(value: float) -> str:
    return "-" if not np.isfinite(value) else f"{value:.0f}"


def _height(value: float) -> str:
    return "-" if not np.isfinite(value) else signed(value)


def _footer(fig: Figure) -> None:
    _text(fig, LEFT, BOTTOM + 3.5, "Heights are deviations from the undamaged shape at the tool: "
          "low \u2212, high +. Stop at the force even if the height is not reached.", size=7.2)
    _text(fig, LEFT, BOTTOM, "Eye protection. The maker's instructions, local codes and licensed "
          "practice come first. Read the panel after every step.",
          size=7.2)


def _page() -> Any:
    from matplotlib.figure import Figure

    return Figure(figsize=(PAGE_WIDTH_MM * IN_PER_MM, PAGE_HEIGHT_MM * IN_PER_MM))


def _text(fig: Figure, x: float, y: float, text: str, size: float, bold: bool = False,
          colour: str = INK) -> None:
    fig.text(x / PAGE_WIDTH_MM, y / PAGE_HEIGHT_MM, text, fontsize=size, va="center", color=colour,
             fontweight="bold" if bold else "normal")
