"""Deviation maps: before and after side by side, and the remaining deviation on its own scale."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simkit.record.read import Field, RunRecord
from simkit.show.region import Region, Spot, extent, fine, spots, zoom
from simkit.show.style import (
    HIGH,
    INK,
    LOW,
    OUTSIDE,
    colour_limit,
    colour_scale,
    height_in,
    new_figure,
    place,
    plate,
    signed,
    symbol,
    title,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.cm import ScalarMappable
    from matplotlib.figure import Figure

Box = tuple[float, float, float, float]  # x, y, width, height of a label, mm of the panel
MOST_NUMBERED = 12  # largest number of places of work with numbers in a map; more would hide it
ASPECT = 1.25  # width over height of every map


def map_figure(record: RunRecord, step: int | None = None) -> Figure:
    """Deviation before the repair and after a step (the last by default), on one colour scale.

    The scale is linear and symmetric, zero is white, and both maps have the same limits. Thin
    lines mark +-tolerance; triangles mark lows and highs with their heights in mm.
    """
    number = record.step_index(step)
    before, after = record.fields[0], record.fields[number]
    window = zoom((before, after), record.tolerance_mm, ASPECT)
    limit = colour_limit(before.d_mm, after.d_mm)
    fig = new_figure(12.9, 7.0)
    title(fig, record.title, _subtitle(record, number))
    names = ("Before", f"After {_steps(number)}")
    for left, name, field in zip((0.75, 6.35), names, (before, after), strict=True):
        ax = place(fig, left, 1.75, 5.15, 5.15 / ASPECT)
        image = draw_map(ax, field, window, limit, record.tolerance_mm)
        mark_or_say_flat(ax, field, record.tolerance_mm, window)
        ax.set_title(name)
        ax.set_xlabel("x (mm)")
        if left < 1.0:
            ax.set_ylabel("y (mm)")
        else:
            ax.tick_params(labelleft=False)
    add_bar(fig, image, (11.7, 1.75, 0.2, 5.15 / ASPECT), record.tolerance_mm)
    _locator(fig, before, window)
    _words(fig, record, number)
    return fig


def left_figure(record: RunRecord, step: int | None = None) -> Figure:
    """Remaining deviation after a step, on a scale of its own, with the places worked so far.

    The limits fit this one map. Therefore its colours must not be compared with those of
    `map_figure`; the title says so.
    """
    number = record.step_index(step)
    field = record.fields[number]
    window = zoom((record.fields[0], field), record.tolerance_mm, ASPECT)
    limit = max(colour_limit(field.d_mm), 2.0 * record.tolerance_mm)
    fig = new_figure(10.6, 8.2)
    title(fig, f"What is left after {_steps(number)}",
          f"{record.title} \u00b7 colours of this picture only: "
          f"\u00b1{limit:g} mm")
    ax = place(fig, 0.75, 0.75, 8.2, 8.2 / ASPECT)
    image = draw_map(ax, field, window, limit, record.tolerance_mm)
    taken = mark_or_say_flat(ax, field, record.tolerance_mm, window, most=6)
    _mark_work(ax, record, number, window, taken)
    ax.set_xlabel("x (mm)")
    ax.set_ylabel("y (mm)")
    add_bar(fig, image, (9.25, 0.75, 0.22, 8.2 / ASPECT), record.tolerance_mm)
    return fig


def draw_map(ax: Axes, field: Field, window: Region, limit_mm: float,
             tolerance_mm: float) -> ScalarMappable:
    """Coloured deviations in a window, contour lines at +-tolerance, axes in mm, equal aspect."""
    colours, norm = colour_scale(limit_mm)
    part = fine(field, window)
    image = ax.imshow(np.ma.masked_invalid(part.d_mm), cmap=colours, norm=norm, origin="lower",
                      extent=(window.x0, window.x1, window.y0, window.y1), aspect="equal",
                      interpolation="nearest")
    ax.set_facecolor(OUTSIDE)
    for level, colour in ((-tolerance_mm, LOW), (tolerance_mm, HIGH)):
        if np.nanmin(part.d_mm) < level < np.nanmax(part.d_mm):
            ax.contour(part.x_mm, part.y_mm, part.d_mm, levels=[level], colors=[colour],
                       linewidths=0.9, linestyles="solid")
    for spine in ax.spines.values():
        spine.set_visible(True)
    return image


def mark_or_say_flat(ax: Axes, field: Field, tolerance_mm: float, window: Region,
                     most: int = 4, size: float = 10.0) -> list[Box]:
    """Mark the spots outside +-tolerance, or write that there is none; returns the boxes used."""
    found = spots(field, tolerance_mm, most)
    taken = mark_spots(ax, found, window, size)
    if not found:
        ax.text(0.5, 0.965, f"nothing outside \u00b1{tolerance_mm:g} mm", fontsize=size,
                transform=ax.transAxes, ha="center", va="top", color="#3d7418",
                fontweight="bold", bbox=plate())
    return taken


def mark_spots(ax: Axes, found: list[Spot], window: Region, size: float = 10.0) -> list[Box]:
    """Triangles at lows (pointing down) and highs (up), with labels of their heights that do not
    overlap.

    Returns the boxes of markers and labels, mm of the panel.
    """
    scale = (window.y1 - window.y0) / height_in(ax)  # mm of the panel on an inch of paper
    inside = [spot for spot in found if window.holds(spot.x_mm, spot.y_mm)]
    side = 0.18 * scale
    taken = [(spot.x_mm - side / 2, spot.y_mm - side / 2, side, side) for spot in inside]
    for spot in sorted(inside, key=lambda one: -abs(one.d_mm)):
        colour = LOW if spot.d_mm < 0 else HIGH
        for mark_size, edge, thick in ((10.5, "white", 2.0), (8.0, colour, 1.6)):
            ax.plot(spot.x_mm, spot.y_mm, marker="v" if spot.d_mm < 0 else "^", ms=mark_size,
                    mfc="white", mec=edge, mew=thick, zorder=6)
        label(ax, signed(spot.d_mm), (spot.x_mm, spot.y_mm), taken, window, colour, size)
    return taken


def label(ax: Axes, text: str, at: tuple[float, float], taken: list[Box], window: Region,
          colour: str, size: float) -> None:
    """Write a text near a point where it overlaps as few boxes of `taken` as possible, and add its
    box to them.

    A label far from its point has a thin line to it.
    """
    letter = size / 72.0 * (window.y1 - window.y0) / height_in(ax)
    width, height = 0.72 * letter * len(text), 1.5 * letter
    boxes = []
    for far in (1.0, 2.2, 3.6, 5.2):
        for dx, dy in ((0, 1), (0, -1), (1, 0), (-1, 0), (0.8, 0.9), (-0.8, 0.9), (0.8, -0.9),
                       (-0.8, -0.9)):
            x = at[0] + dx * (width / 2 + 0.85 * letter * far)
            y = at[1] + dy * (height / 2 + 0.85 * letter * far)
            box = (x - width / 2, y - height / 2, width, height)
            if window.holds(box[0], box[1]) and window.holds(box[0] + width, box[1] + height):
                boxes.append((sum(_overlap(box, other) for other in taken), far, box))
    if not boxes:
        boxes = [(0, 1.0, (at[0] - width / 2, at[1] - height / 2, width, height))]
    _, far, (x, y, _, _) = min(boxes, key=lambda one: (one[0], one[1]))
    taken.append((x, y, width, height))
    if far > 1.0:
        ax.plot((at[0], x + width / 2), (at[1], y + height / 2), color=colour, lw=0.8, zorder=5)
    ax.text(x + width / 2, y + height / 2, text, color=colour, fontsize=size, ha="center",
            va="center", fontweight="normal" if colour == INK else "bold", bbox=plate(),
            zorder=7)


def _overlap(a: Box, b: Box) -> bool:
    return (a[0] < b[0] + b[2] and b[0] < a[0] + a[2]
            and a[1] < b[1] + b[3] and b[1] < a[1] + a[3])


def add_bar(fig: Figure, image: ScalarMappable, where: tuple[float, float, float, float],
         tolerance_mm: float) -> None:
    """Colour bar with its unit and the tolerance marked on it."""
    ax = place(fig, *where)
    bar = fig.colorbar(image, cax=ax)
    bar.set_label("deviation d (mm)    low < 0 < high")
    bar.outline.set_linewidth(0.6)
    for level, colour in ((-tolerance_mm, LOW), (tolerance_mm, HIGH)):
        ax.axhline(level, color=colour, lw=1.0)


def _mark_work(ax: Axes, record: RunRecord, number: int, window: Region,
               taken: list[Box]) -> None:
    """Small black symbols at the places of tools, with the numbers of the steps if these are few.
    """
    places: dict[tuple[float, float], list[int]] = {}
    for step in record.steps[1:number + 1]:
        if window.holds(step.x_mm, step.y_mm):
            places.setdefault((round(step.x_mm, 1), round(step.y_mm, 1)), []).append(step.number)
    if not places:
        return
    numbered = len(places) <= MOST_NUMBERED
    side = 0.11 * (window.y1 - window.y0) / height_in(ax)
    taken += [(x - side / 2, y - side / 2, side, side) for x, y in places]
    for (x, y), numbers in places.items():
        marker, _ = symbol(record.steps[numbers[-1]].operation)
        ax.plot(x, y, marker=marker, ms=5, mfc=INK, mec="white", mew=0.7, zorder=8)
        if numbered:
            label(ax, ",".join(map(str, numbers)), (x, y), taken, window, INK, 8.0)
    words = "small black symbols: where tools worked"
    ax.text(0.012, 0.018, words + (", with the numbers of the steps" if numbered else ""),
            transform=ax.transAxes, fontsize=9, color="#444444", bbox=plate())


def _locator(fig: Figure, field: Field, window: Region) -> None:
    """Outline of the whole panel with a frame round the part of the maps above."""
    from matplotlib.patches import Rectangle

    panel = extent(field)
    ax = place(fig, 0.75, 0.18, 1.5, 1.0)
    ax.contourf(field.x_mm, field.y_mm, np.isfinite(field.d_mm).astype(float),
                levels=[0.5, 1.5], colors=[OUTSIDE])
    ax.add_patch(Rectangle((window.x0, window.y0), window.x1 - window.x0,
                           window.y1 - window.y0, fill=False, ec=INK, lw=1.3))
    ax.set_aspect("equal", anchor="W")
    ax.set_xlim(min(panel.x0, window.x0), max(panel.x1, window.x1))
    ax.set_ylim(min(panel.y0, window.y0), max(panel.y1, window.y1))
    ax.axis("off")
    fig.text(2.4 / 12.9, 0.9 / 7.0, f"Panel {panel.x1 - panel.x0:.0f} \u00d7 "
             f"{panel.y1 - panel.y0:.0f} mm", fontsize=9.5, va="center")
    fig.text(2.4 / 12.9, 0.62 / 7.0, "frame: part shown above", fontsize=9, color="#555555",
             va="center")


def _words(fig: Figure, record: RunRecord, number: int) -> None:
    """Largest low and high before and after, and a legend, below the maps."""
    first, last = record.steps[0], record.steps[number]
    for row, (name, step) in enumerate((("before", first), ("after", last))):
        y = (0.9 - 0.28 * row) / 7.0
        fig.text(6.35 / 12.9, y, f"{name}:", fontsize=10.5, va="center")
        fig.text(7.05 / 12.9, y, f"low {signed(step.max_low_mm)} mm", fontsize=10.5, color=LOW,
                 fontweight="bold", va="center")
        fig.text(8.6 / 12.9, y, f"high {signed(step.max_high_mm)} mm", fontsize=10.5,
                 color=HIGH, fontweight="bold", va="center")
    fig.text(6.35 / 12.9, 0.3 / 7.0, "\u25bd lows   \u25b3 highs, heights in mm;   thin lines: "
             f"tolerance \u00b1{record.tolerance_mm:g} mm", fontsize=9, color="#555555",
             va="center")


def _subtitle(record: RunRecord, number: int) -> str:
    """Strategy and match; for the last state also the outcome of the run."""
    parts = [record.strategy and f"strategy: {record.strategy}",
             number == record.last and record.outcome and f"outcome: {record.outcome}",
             match_words(record)]
    return " \u00b7 ".join(part for part in parts if part)


def match_words(record: RunRecord) -> str:
    """Difference between step 0 and the measured dent; empty if it is not recorded."""
    match = record.match
    if match is None:
        return ""
    start = "" if match["matched"] else "NOT MATCHED: "
    return (f"{start}before is {match['rms_mm']:.3f} mm rms off the measured dent "
            f"({match['worst_mm']:.2f} at worst)")


def _steps(number: int) -> str:
    return f"{number} step" if number == 1 else f"{number} steps"
