"""Surroundings of the work in a picture: braces and openings behind, footprints of tools."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError
from simkit.record.read import StepRecord, read_json
from simkit.show.region import Region
from simkit.show.style import GREY, INK, plate, symbol
from simkit.tool.catalogue import find_tab, find_tip
from simkit.tool.tabs import Tab

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
CIRCLE = np.linspace(0.0, 2.0 * np.pi, 49)
RIG = re.compile(r" (?:lifter|beam|spreader|hammer) \S+")


@dataclass(frozen=True)
class Setting:
    """The recorded case of a run (empty if there is none), for additions to its maps.

    Attributes
    ----------
    case : the resolved case. supports, reach : shapes behind the panel, as mappings.
    outlines : outline (n, 2) of each tool of the kit relative to its place, mm, by name; those of
        tabs on a rig by name and rig, see :func:`outline_of`.
    """

    case: Mapping[str, Any]
    supports: tuple[Mapping[str, Any], ...]
    reach: tuple[Mapping[str, Any], ...]
    outlines: Mapping[str, Array]


def read_setting(folder: Path) -> Setting:
    """Braces, access and tools from RUN/case.json; empty if the file is missing."""
    path = Path(folder) / "case.json"
    case = read_json(path, "run").get("case", {}) if path.exists() else {}
    if not isinstance(case, dict):
        raise InputError("holds no case", "run the case again", str(path), key="case")
    panel = case.get("panel") or {}
    reach = (panel.get("behind") or {}).get("reach", "all")
    kit = case.get("kit") or {}
    outlines = {}
    for sort, outline in (("tabs", _tab), ("tips", _tip), ("wedges", _wedge)):
        for spec in kit.get(sort) or ():
            found = outline(spec)
            if found is not None:
                outlines[found[0]] = found[1]
    outlines |= _rigged(kit, outlines)
    openings = (panel.get("behind") or {}).get("openings") or ()
    return Setting(case, tuple(panel.get("supports") or ()),
                   (*(reach if isinstance(reach, list) else ()), *openings), outlines)


def _tab(spec: Any) -> tuple[str, Array] | None:
    try:
        return _named(spec), tab_outline(find_tab(spec))
    except InputError:  # a tool of the user's catalogue, which is not available: no outline
        return None


def _tip(spec: Any) -> tuple[str, Array] | None:
    try:
        body = find_tip(spec).body
    except InputError:
        return None
    x = body.half_length_mm * np.sign(np.round(np.cos(CIRCLE), 12))
    y = body.half_width_mm * np.sign(np.round(np.sin(CIRCLE), 12))
    r = body.nose_radius_mm + body.core_radius_mm
    return _named(spec), np.column_stack([x + r * np.cos(CIRCLE), y + r * np.sin(CIRCLE)])


def _wedge(spec: Any) -> tuple[str, Array] | None:
    return _tip({"name": spec["name"], "kind": "block", "length_mm": spec["face_mm"],
                 "width_mm": spec["width_mm"], "nose_mm": spec["nose_mm"]})


def _named(spec: Any) -> str:
    return spec if isinstance(spec, str) else str(spec.get("name", ""))


def tab_outline(tab: Tab) -> Array:
    """Outline of a tab's glued face relative to its middle, (n, 2), mm."""
    a, b = 0.5 * tab.length_mm, 0.5 * tab.width_mm
    if tab.kind in ("round", "oval"):
        return np.column_stack([a * np.cos(CIRCLE), b * np.sin(CIRCLE)])
    r = tab.rounding_mm
    x = (a - r) * np.sign(np.round(np.cos(CIRCLE), 12)) + r * np.cos(CIRCLE)
    y = (b - r) * np.sign(np.round(np.sin(CIRCLE), 12)) + r * np.sin(CIRCLE)
    return np.column_stack([x, y])


def _rigged(kit: Mapping[str, Any], outlines: Mapping[str, Array]) -> dict[str, Array]:
    """Outlines of every tab on every beam and spreader of the kit, by "TAB beam NAME"."""
    rows = [(f"beam {one['name']}", one["spacing_mm"] * (
        np.arange(one["tabs"]) - 0.5 * (one["tabs"] - 1))) for one in kit.get("beams") or ()]
    rows += [(f"spreader {one['name']}", one["apart_mm"] * np.array([-0.5, 0.5]))
             for one in kit.get("spreaders") or ()]
    names = [_named(spec) for spec in kit.get("tabs") or ()]
    return {f"{name} {rig}": _row_of(outlines[name], offsets)
            for name in names if name in outlines for rig, offsets in rows}


def _row_of(outline: Array, offsets: Array) -> Array:
    """One closed line round a row of equal outlines, joined by a line between neighbours."""
    x, y = np.round(outline, 9).T
    upper = outline[y >= 0.0][np.argsort(x[y >= 0.0], kind="stable")]
    lower = outline[y <= 0.0][np.argsort(-x[y <= 0.0], kind="stable")]
    there = [upper + (offset, 0.0) for offset in offsets]
    back = [lower + (offset, 0.0) for offset in offsets[::-1]]
    return np.vstack([*there, *back, there[0][:1]])


def rig_of(step: StepRecord) -> str:
    """What drives the tool of a step ("beam NAME"), as its words say; empty for nothing else."""
    found = RIG.search(step.row.get("said") or "")
    return "" if found is None else found[0].strip()


def outline_of(step: StepRecord, outlines: Mapping[str, Array]) -> Array | None:
    """Outline of a step's tool or row of tools relative to its place, (n, 2), mm; None if it is
    not known."""
    return outlines.get(f"{step.tool} {rig_of(step)}", outlines.get(step.tool))


def draw_behind(ax: Axes, supports: Sequence[Mapping[str, Any]],
                reach: Sequence[Mapping[str, Any]], window: Region) -> None:
    """Braces hatched and named, openings dashed; the limits of the axes do not change."""
    from matplotlib.patches import Circle, Rectangle
    from matplotlib.transforms import Affine2D

    for shape, hatch in [(bed, "//") for bed in supports] + [(part, "") for part in reach]:
        at = shape["x_mm"], shape["y_mm"]
        if shape.get("shape") == "disc":
            patch: Any = Circle(at, shape["radius_mm"])
        else:
            long, wide = shape["length_mm"], shape["width_mm"]
            patch = Rectangle((-long / 2, -wide / 2), long, wide)
            patch.set_transform(Affine2D().rotate_deg(shape.get("angle_deg", 0.0)).translate(*at)
                                + ax.transData)
        patch.set(fill=False, ec=GREY, lw=1.0, hatch=hatch, ls="-" if hatch else (0, (2, 2)))
        ax.add_patch(patch)
        if hatch and window.holds(*at):
            ax.text(*at, shape["name"], fontsize=8.5, color=GREY, ha="center", va="center",
                    bbox=plate())
    ax.set_xlim(window.x0, window.x1)
    ax.set_ylim(window.y0, window.y1)


def footprint(step: StepRecord, outlines: Mapping[str, Array]) -> Array | None:
    """Outline of a step's tool at its place, (n, 2), mm in plan; None if it is not known."""
    outline = outline_of(step, outlines)
    if outline is None or not (np.isfinite(step.x_mm) and np.isfinite(step.y_mm)):
        return None
    angle = np.radians(np.nan_to_num(step.number_of("angle_deg")))
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    at: Array = outline @ turn + (step.x_mm, step.y_mm)
    return at


def draw_tools(ax: Axes, steps: Sequence[StepRecord], outlines: Mapping[str, Array],
               path: bool = True) -> None:
    """Footprints of tools to scale, and a thin line that joins their places in order."""
    worked = [step for step in steps if np.isfinite(step.x_mm) and np.isfinite(step.y_mm)]
    seen: set[tuple[str, float, float]] = set()
    for step in worked:
        place = (step.tool, round(step.x_mm, 1), round(step.y_mm, 1))
        if place in seen:
            continue
        seen.add(place)
        _, colour = symbol(step.operation)
        at = footprint(step, outlines)
        if at is None:
            ax.plot(step.x_mm, step.y_mm, "+", color=colour, ms=7)
            continue
        ax.fill(at[:, 0], at[:, 1], fc="none", ec=colour, lw=1.3, zorder=5)
    if path and len(worked) > 1:
        ax.plot([s.x_mm for s in worked], [s.y_mm for s in worked], color=INK, lw=0.8,
                ls=(0, (4, 2)), zorder=4)
