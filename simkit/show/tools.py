"""Drawings of tabs and tips to scale."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from simkit.show.style import look, new_figure, place, save, title
from simkit.tool.catalogue import Tip
from simkit.tool.tabs import Tab

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MM_PER_IN = 25.4
GAP_MM = 8.0
WIDTH_MM = 230.0
HEAD_MM, FOOT_MM, NAMED_MM = 26.0, 12.0, 9.0


def draw_tools(tabs: Sequence[Tab], tips: Sequence[Tip], path: Path) -> Path:
    """Faces of tabs and sections of tips, on one scale, as PNG.

    With the resolution stored in the file (dots per inch), the drawing is in true size.

    Raises
    ------
    InputError : the file cannot be written.
    """
    rows = _rows([*((tab, tab.length_mm, tab.width_mm) for tab in tabs),
                  *((tip, 2.0 * _half(tip), 2.0 * tip.body.nose_radius_mm) for tip in tips)])
    height = HEAD_MM + FOOT_MM + sum(max(h for _, _, h in row) + NAMED_MM for row in rows)
    width = max(WIDTH_MM, *(sum(w + GAP_MM for _, w, _ in row) + GAP_MM for row in rows))
    with look():
        fig = new_figure(width / MM_PER_IN, height / MM_PER_IN)
        ax = place(fig, 0.0, 0.0, width / MM_PER_IN, height / MM_PER_IN)
        ax.set(xlim=(0.0, width), ylim=(0.0, height))
        ax.set_axis_off()
        title(fig, "Tabs and tips", "to scale; tabs from their glued face with the stem dashed, "
              "tips as sections, face down", GAP_MM / MM_PER_IN)
        top = height - HEAD_MM
        for row in rows:
            deep = max(h for _, _, h in row)
            x = GAP_MM
            for tool, wide, _ in row:
                _draw(ax, tool, x + 0.5 * wide, top - 0.5 * deep)
                ax.text(x + 0.5 * wide, top - deep - 2.0, tool.name, ha="center", va="top",
                        fontsize=7)
                x += wide + GAP_MM
            top -= deep + NAMED_MM
        ax.plot([GAP_MM, GAP_MM + 50.0], [6.0, 6.0], color="0.2", lw=2, solid_capstyle="butt")
        ax.text(GAP_MM + 52.0, 6.0, "50 mm", va="center", fontsize=7)
        return save(fig, path)


def _half(tip: Tip) -> float:
    """Half the length of a tip, mm."""
    body = tip.body
    return body.nose_radius_mm + max(body.half_length_mm, body.core_radius_mm)


def _rows(sized: Sequence[tuple]) -> list[list[tuple]]:
    """Tools side by side in rows of limited width; a tool needs at least 18 mm for its name."""
    rows: list[list[tuple]] = [[]]
    used = GAP_MM
    for tool, wide, high in sized:
        wide = max(wide, 18.0)
        if rows[-1] and used + wide + GAP_MM > WIDTH_MM:
            rows.append([])
            used = GAP_MM
        rows[-1].append((tool, wide, high))
        used += wide + GAP_MM
    return rows


def _draw(ax: Axes, tool: Tab | Tip, x: float, y: float) -> None:
    if isinstance(tool, Tab):
        half = 0.55 * tool.length_mm
        side = np.linspace(-half, half, 400)
        xx, yy = np.meshgrid(side, side)
        out = tool.outside_mm(xx, yy)
        ax.contourf(x + xx, y + yy, out, levels=[-1e9, 0.0], colors=["#c9d6e3"])
        ax.contour(x + xx, y + yy, out, levels=[0.0], colors=["#30506e"], linewidths=0.9)
        if not tool.rigid:
            angle = np.linspace(0.0, 2.0 * np.pi, 80)
            ax.plot(x + 0.5 * tool.stem * np.cos(angle), y + 0.5 * tool.stem * np.sin(angle),
                    color="#30506e", lw=0.7, ls="--")
        return
    body = tool.body
    core = max(body.half_length_mm, body.core_radius_mm)
    angle = np.linspace(0.0, np.pi, 60)
    r = body.nose_radius_mm
    right = np.stack([core + r * np.sin(angle), r * np.cos(angle)])
    left = np.stack([-core - r * np.sin(angle), -r * np.cos(angle)])
    line = np.concatenate([right, left], axis=1)
    ax.fill(x + line[0], y + line[1], facecolor="#e6d3bd", edgecolor="#7a5326", lw=0.9)
