"""The effect of a few operations: maps before and after, their difference, and the tools' places.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simkit.record.read import Field, RunRecord
from simkit.show.maps import ASPECT, draw_map, mark_or_say_flat
from simkit.show.region import zoom
from simkit.show.style import (
    INK,
    colour_limit,
    new_figure,
    place,
    signed,
    signed_whole,
    symbol,
    title,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def difference_figure(record: RunRecord) -> Figure:
    """Deviation before and after on one scale, and the change on its own scale, with the places of
    the tools."""
    before, after = record.fields[0], record.fields[-1]
    change = Field(before.x_mm, before.y_mm, after.d_mm - before.d_mm)
    window = zoom((before, after, change), record.tolerance_mm, ASPECT)
    both, own = colour_limit(before.d_mm, after.d_mm), colour_limit(change.d_mm)
    wide = 3.85
    tall = wide / ASPECT
    fig = new_figure(0.75 + 3 * (wide + 0.2) + 0.3, tall + 2.75)
    title(fig, "What was tried, and what it changed", _words(record))
    panels = (("Before", before, both), ("After", after, both), ("Change", change, own))
    for k, (name, field, limit) in enumerate(panels):
        left = 0.75 + k * (wide + 0.2)
        ax = place(fig, left, 1.5, wide, tall)
        image = draw_map(ax, field, window, limit, record.tolerance_mm)
        mark_or_say_flat(ax, field, record.tolerance_mm, window, most=2, size=9.0)
        _tools(ax, record)
        ax.set_title(name)
        ax.set_xlabel("x (mm)")
        if k == 0:
            ax.set_ylabel("y (mm)")
        else:
            ax.tick_params(labelleft=False)
        if k != 0:
            at = 0.75 if k == 1 else left
            width = 2 * wide + 0.2 if k == 1 else wide
            bar = fig.colorbar(image, orientation="horizontal",
                               cax=place(fig, at + 0.1 * width, 0.62, 0.8 * width, 0.14))
            bar.set_label("deviation d (mm)    low < 0 < high" if k == 1
                          else "change of d (mm)    down < 0 < up")
    return fig


def _words(record: RunRecord) -> str:
    said = [f"{step.operation} {step.tool}" + (
        f" at {signed_whole(step.x_mm)}, {signed_whole(step.y_mm)}" if np.isfinite(step.x_mm)
        else "") for step in record.steps[1:]]
    return f"{record.title} \u00b7 " + "; ".join(said)


def _tools(ax: Axes, record: RunRecord) -> None:
    for step in record.steps[1:]:
        if np.isfinite(step.x_mm) and np.isfinite(step.y_mm):
            marker, _ = symbol(step.operation)
            ax.plot(step.x_mm, step.y_mm, marker=marker, ms=6, mfc=INK, mec="white", mew=0.8,
                    zorder=8)


def change_line(record: RunRecord) -> str:
    """The largest downward and upward change in one line."""
    change = record.fields[-1].d_mm - record.fields[0].d_mm
    return (f"changed by {signed(float(np.nanmin(change)))} to "
            f"{signed(float(np.nanmax(change)))} mm")
