"""The measured dent, the reconstructed one, and their difference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simkit.record.read import Field, RunRecord
from simkit.show.maps import (
    Box,
    add_bar,
    draw_map,
    label,
    mark_or_say_flat,
    match_words,
    plate,
    signed,
)
from simkit.show.region import zoom
from simkit.show.style import colour_limit, new_figure, place, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from simkit.show.region import Region

ASPECT = 1.0
SIDE_IN = 4.1
EXPLAINED, UNEXPLAINED = "#3d7418", "#8a1c1c"
MOST_MARKED = 4
"""Largest number of labels on spots that are not explained."""


@dataclass(frozen=True)
class Judged:
    """A measured low or high: place, measured and reconstructed deviation (mm), and whether the
    reconstruction explains it."""

    x_mm: float
    y_mm: float
    height_mm: float
    found_mm: float
    ok: bool


def match_figure(record: RunRecord, measured: Field) -> Figure:
    """Three maps: measured, reconstructed (step 0), and reconstructed minus measured.

    The first two have a common colour scale. The third has its own scale, with limits not below
    twice the tolerance; it marks for every measured low and high whether it is explained.
    """
    found = record.fields[0]
    gap = Field(found.x_mm, found.y_mm, found.d_mm - _on(measured, found))
    window = zoom((measured, found), record.tolerance_mm, ASPECT)
    shared = colour_limit(measured.d_mm, found.d_mm)
    own = max(colour_limit(gap.d_mm), 2.0 * record.tolerance_mm)
    fig = new_figure(17.0, 6.2)
    title(fig, record.title, match_words(record).replace("before", "the dent found", 1))
    maps = ((0.75, "Measured", measured, shared), (5.15, "Found: step 0", found, shared),
            (11.2, "Found minus measured", gap, own))
    for left, name, field, limit in maps:
        ax = place(fig, left, 0.75, SIDE_IN, SIDE_IN / ASPECT)
        image = draw_map(ax, field, window, limit, record.tolerance_mm)
        judged = spots_judged(record) if left == maps[2][0] else ()
        if judged:
            mark_judged(ax, judged, window)
        else:
            mark_or_say_flat(ax, field, record.tolerance_mm, window)
        ax.set_title(name)
        ax.set_xlabel("x (mm)")
        if left == maps[1][0]:
            ax.tick_params(labelleft=False)
        else:
            ax.set_ylabel("y (mm)")
        if left != maps[0][0]:
            add_bar(fig, image, (left + SIDE_IN + 0.15, 0.75, 0.2, SIDE_IN / ASPECT),
                    record.tolerance_mm)
    return fig


def spots_judged(record: RunRecord) -> tuple[Judged, ...]:
    """Measured lows and highs with whether they are explained; empty if this is not recorded."""
    match = record.match or {}
    listed = match.get("spots")
    found = []
    for one in listed if isinstance(listed, list | tuple) else ():
        try:
            found.append(Judged(float(one["x_mm"]), float(one["y_mm"]), float(one["height_mm"]),
                                float(one["found_mm"]), bool(one["ok"])))
        except (KeyError, TypeError, ValueError):  # another writer's record
            return ()
    return tuple(found)


def mark_judged(ax: Axes, judged: tuple[Judged, ...], window: Region) -> None:
    """Rings round explained spots; crosses on the others, with reconstructed and measured values.
    """
    inside = [one for one in judged if window.holds(one.x_mm, one.y_mm)]
    taken: list[Box] = []
    for one in inside:
        colour = EXPLAINED if one.ok else UNEXPLAINED
        for size, edge, thick in ((11.0, "white", 3.6), (11.0, colour, 1.8)):
            ax.plot(one.x_mm, one.y_mm, marker="o" if one.ok else "x", ms=size, mfc="none",
                    mec=edge, mew=thick, zorder=6)
    for one in sorted(inside, key=lambda one: one.ok)[:MOST_MARKED]:
        if not one.ok:
            label(ax, f"{signed(one.found_mm)} for {signed(one.height_mm)}", (one.x_mm, one.y_mm),
                  taken, window, UNEXPLAINED, 9.0)
    missing = sum(not one.ok for one in judged)
    ax.text(0.5, 0.965, f"o explained: {len(judged) - missing}    x not: {missing}", fontsize=9.0,
            transform=ax.transAxes, ha="center", va="top", bbox=plate(),
            color=UNEXPLAINED if missing else EXPLAINED)


def _on(measured: Field, found: Field) -> np.ndarray:
    """The measured deviations; all NaN if they are on another grid."""
    if measured.d_mm.shape == found.d_mm.shape:
        return measured.d_mm
    return np.full_like(found.d_mm, np.nan)
