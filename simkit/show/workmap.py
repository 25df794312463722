"""Places, tools and order of the work: footprints to scale on the map of the dent."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from typing import TYPE_CHECKING

import numpy as np

from simkit.errors import InputError
from simkit.record.read import RunRecord, StepRecord
from simkit.show.maps import ASPECT, draw_map, label
from simkit.show.region import Region, zoom
from simkit.show.setting import draw_behind, draw_tools, read_setting
from simkit.show.style import (
    GREY,
    INK,
    colour_limit,
    kind_of,
    new_figure,
    place,
    shorten,
    signed,
    symbol,
    title,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from simkit.repair.operations import Operation

MOST_LISTED = 30


def work_figure(record: RunRecord, step: int | None = None) -> Figure:
    """Footprints of all tools, joined in order, on the map of the dent; beside it a list of steps.

    Braces behind the panel are hatched; openings through which tools reach are dashed.
    """
    number = record.step_index(step)
    setting = read_setting(record.folder)
    done = record.steps[1 : number + 1]
    window = zoom(record.fields, record.tolerance_mm, ASPECT)
    tall = 6.3
    fig = new_figure(12.4, tall + 1.75)
    title(fig, "Where was worked, and in which order",
          f"{record.title} \u00b7 {record.strategy} \u00b7 map: the dent before any work, "
          "footprints to scale")
    ax = place(fig, 0.75, 0.65, tall * ASPECT, tall)
    draw_map(ax, record.fields[0], window, colour_limit(record.fields[0].d_mm),
             record.tolerance_mm)
    for image in ax.images:
        image.set_alpha(0.45)
    ax.set_facecolor("white")
    draw_behind(ax, setting.supports, setting.reach, window)
    draw_tools(ax, done, setting.outlines)
    draw_passes(ax, done)
    number_places(ax, done, window)
    ax.set_xlabel("x (mm)")
    ax.set_ylabel("y (mm)")
    _list(fig, done, 0.75 + tall * ASPECT + 0.3, tall + 0.65)
    return fig


def pass_of(step: StepRecord) -> Operation | None:
    """The operation of a step that is a pass of several touches; None for a single touch, and for
    folders that do not record it."""
    if not step.number_of("touches") > 1.0:
        return None
    spoken = import_module("simkit.repair.spoken")  # loads the kernels: only if it is needed
    try:
        asked: Operation = spoken.read_operation(step.row.get("said", ""))
    except InputError:
        return None
    return asked if asked.is_pass else None


def draw_passes(ax: Axes, steps: Sequence[StepRecord]) -> None:
    """A small cross at every place of a pass."""
    for step in steps:
        asked = pass_of(step)
        if asked is not None:
            spots = [(x, y) for x, y, _ in asked.places()]
            _, colour = symbol(step.operation)
            ax.plot(*zip(*spots, strict=True), "x", ms=3.5, mew=0.8, color=colour, zorder=5)


def number_places(ax: Axes, steps: tuple[StepRecord, ...], window: Region,
                  size: float = 9.0) -> None:
    """Numbers of the steps beside their places; steps at the same place share one label."""
    places: dict[tuple[float, float], list[int]] = {}
    for step in steps:
        if np.isfinite(step.x_mm) and window.holds(step.x_mm, step.y_mm):
            places.setdefault((round(step.x_mm), round(step.y_mm)), []).append(step.number)
    taken = [(x - 1.0, y - 1.0, 2.0, 2.0) for x, y in places]
    for (x, y), numbers in places.items():
        ax.plot(x, y, "o", ms=3.0, color=INK, zorder=6)
        words = ",".join(map(str, numbers[:4])) + (",\u2026" if len(numbers) > 4 else "")
        label(ax, words, (x, y), taken, window, INK, size)


def _list(fig: Figure, steps: tuple[StepRecord, ...], left: float, top: float) -> None:
    w, h = fig.get_size_inches()
    shown = steps[:MOST_LISTED]
    row = min(0.27, (top - 0.65) / (len(shown) + 1.5))
    size = max(7.5, min(9.5, 40 * row))
    for column, head in ((0.0, "step"), (0.42, "tool"), (2.25, "N"), (2.95, "after, mm")):
        fig.text((left + column) / w, (top - 0.1) / h, head, fontsize=size, color=GREY,
                 ha="left" if column < 2 else "right", va="center")
    for k, step in enumerate(shown):
        y = (top - 0.1 - (k + 1) * row) / h
        _, colour = symbol(step.operation)
        touches = step.number_of("touches")
        many = f" \u00d7{touches:.0f}" if touches > 1.0 else ""
        tool = shorten(f"{kind_of(step.operation)} {step.tool}", 22 - 2 * len(many)) + many
        force = "-" if np.isnan(step.force_N) else f"{step.force_N:.0f}"
        left_mm = step.number_of("released_mm")
        for column, text in ((0.0, str(step.number)),
                             (0.42, tool),
                             (2.25, force),
                             (2.95, "-" if np.isnan(left_mm) else signed(left_mm))):
            fig.text((left + column) / w, y, text, fontsize=size, va="center",
                     ha="left" if column < 2 else "right", color=colour if column else INK)
    if len(steps) > MOST_LISTED:
        fig.text(left / w, (top - 0.1 - (len(shown) + 1) * row) / h,
                 f"and {len(steps) - MOST_LISTED} more", fontsize=size, color=GREY, va="center")
