"""Lows and highs against steps with the tool forces below, and the force path of one step."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simkit.record.read import ForcePath, RunRecord, StepRecord
from simkit.show.style import (
    BAND,
    CROWN,
    GREY,
    HIGH,
    LOW,
    height_in,
    kind_of,
    name_band,
    new_figure,
    place,
    signed,
    signed_whole,
    symbol,
    title,
    tolerance_band,
    whole_numbers,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def progress_figure(record: RunRecord, step: int | None = None) -> Figure:
    """Largest low, largest high and crown after every step; below, tool and force of each step.

    The tolerance band is shaded. A hatched bar is a step in which the glue failed.
    """
    number = record.step_index(step)
    steps = record.steps[:number + 1]
    fig = new_figure(12.0, 8.0)
    title(fig, "Lows and highs, step by step",
          " \u00b7 ".join(part for part in (record.title, record.strategy) if part), left_in=0.9)
    above = place(fig, 0.9, 3.25, 8.9, 3.75)
    below = place(fig, 0.9, 0.7, 8.9, 2.1, sharex=above)
    _heights(above, steps, record.tolerance_mm)
    _forces(below, steps)
    above.tick_params(labelbottom=False)
    below.set_xlabel("step (0 = the dent before any work)")
    below.set_xlim(-0.4, max(number, 1) + 0.4)
    whole_numbers(below)
    return fig


def _heights(ax: Axes, steps: tuple[StepRecord, ...], tolerance_mm: float) -> None:
    number = [step.number for step in steps]
    tolerance_band(ax, tolerance_mm)
    lines = [("largest high", HIGH, "-", [step.max_high_mm for step in steps]),
             ("crown", CROWN, "--", [step.crown_mm for step in steps]),
             ("largest low", LOW, "-", [step.max_low_mm for step in steps])]
    ends = []
    for name, colour, dash, values in lines:
        if not np.any(np.isfinite(values)):
            continue
        ax.plot(number, values, color=colour, lw=2.2, ls=dash, zorder=3)
        ends.append((float(values[-1]), colour, f"{name} {signed(values[-1])}"))
        if dash == "-":
            for step, value in zip(steps[1:], values[1:], strict=True):
                ax.plot(step.number, value, marker=symbol(step.operation)[0], color=colour,
                        mec="white", mew=0.8, ms=8, zorder=4)
    ax.set_ylabel("deviation d (mm)")
    ax.margins(y=0.08)
    low, high = ax.get_ylim()
    ax.set_ylim(min(low, -3 * tolerance_mm), max(high, 3 * tolerance_mm))
    label_ends(ax, ends)
    name_band(ax, tolerance_mm)


def label_ends(ax: Axes, ends: list[tuple[float, str, str]]) -> None:
    """Texts right of the axes at the heights of the lines' ends, moved apart if they overlap.

    ends : (height, colour, text) of every line.
    """
    low, high = ax.get_ylim()
    room = 0.21 / height_in(ax) * (high - low)
    order = sorted((end for end in ends if np.isfinite(end[0])), key=lambda end: end[0])
    places = [end[0] for end in order]
    for k in range(1, len(places)):
        places[k] = max(places[k], places[k - 1] + room)
    if places:  # keep the group centred on the lines it names
        shift = (sum(places) - sum(end[0] for end in order)) / len(places)
        places = [value - shift for value in places]
    for value, (_, colour, text) in zip(places, order, strict=True):
        ax.text(1.01, value, text, transform=ax.get_yaxis_transform(), color=colour, fontsize=10,
                fontweight="bold", va="center")


def _forces(ax: Axes, steps: tuple[StepRecord, ...]) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    kinds: dict[str, Line2D] = {}
    size = 10.0 if len(steps) < 45 else 5.0
    for step in steps[1:]:
        marker, colour = symbol(step.operation)
        force = 0.0 if np.isnan(step.force_N) else step.force_N
        let_go = "glue" in step.outcome.lower()
        ax.bar(step.number, force, width=0.5, color="white" if let_go else colour,
               alpha=1.0 if let_go else 0.35, ec=colour, hatch="////" if let_go else None)
        ax.plot(step.number, force, marker=marker, color=colour, mec="white", mew=0.8, ms=size,
                zorder=4)
        kind = kind_of(step.operation)
        kinds[kind] = Line2D([], [], ls="", marker=marker, color=colour, ms=8, label=kind)
    handles: list[Line2D | Patch] = list(kinds.values())
    if any("glue" in step.outcome.lower() for step in steps):
        handles.append(Patch(fc="white", ec=GREY, hatch="////", label="glue let go"))
    ax.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.0, 1.02), handlelength=1.4)
    ax.set_ylabel("tool force (N)")
    ax.set_ylim(bottom=0.0)
    ax.margins(y=0.15)


def force_figure(record: RunRecord, path: ForcePath) -> Figure:
    """Tool force over travel in one operation, and the height after release predicted during it."""
    step = record.steps[path.step]
    _, colour = symbol(step.operation)
    fig = new_figure(9.0, 5.6)
    where = ""
    if np.isfinite(step.x_mm) and np.isfinite(step.y_mm):
        where = f" at x {signed_whole(step.x_mm)}, y {signed_whole(step.y_mm)} mm"
    what = ", ".join(part for part in (step.operation + where, step.tool) if part)
    title(fig, f"Step {path.step}: {what}",
          " \u00b7 ".join(part for part in (record.title, step.outcome) if part), left_in=0.9)
    ax = place(fig, 0.9, 0.75, 7.1, 3.85)
    ax.plot(path.travel_mm, path.force_N, color=colour, lw=2.4)
    peak = int(np.nanargmax(path.force_N))
    ax.plot(path.travel_mm[peak], path.force_N[peak], "o", color=colour, ms=6)
    ax.annotate(f"{path.force_N[peak]:.0f} N", (path.travel_mm[peak], path.force_N[peak]),
                (0, 8), textcoords="offset points", ha="center", color=colour,
                fontweight="bold")
    ax.set_xlabel("tool travel (mm)")
    ax.set_ylabel("tool force (N)", color=colour)
    ax.margins(y=0.15)
    ax.set_ylim(bottom=0.0)
    if np.any(np.isfinite(path.predicted_release_mm)):
        twin = ax.twinx()
        twin.plot(path.travel_mm, path.predicted_release_mm, color=GREY, lw=1.8, ls="--")
        twin.axhspan(-record.tolerance_mm, record.tolerance_mm, color=BAND, alpha=0.22, lw=0)
        twin.set_ylabel("dashed: predicted height\nonce released (mm)", color="#555555")
        twin.annotate("flush once released", (0.01, 0.0), va="center", fontsize=9,
                      xycoords=("axes fraction", "data"), color="#3d7418")
        twin.spines["right"].set_visible(True)
        twin.margins(y=0.12)
    return fig
