"""Strategies side by side: final maps, lows and highs over steps, rows of bars."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from simkit.record.read import ComparisonRecord
from simkit.show.maps import ASPECT, draw_map, mark_or_say_flat
from simkit.show.region import zoom
from simkit.show.style import (
    BAND,
    GREY,
    HIGH,
    INK,
    LOW,
    STRATEGY_COLOURS,
    colour_limit,
    name_band,
    new_figure,
    place,
    shorten,
    signed,
    title,
    tolerance_band,
    whole_numbers,
)
from simkit.show.table import flat_word

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def final_maps_figure(record: ComparisonRecord) -> Figure:
    """Deviation after the last step of every strategy, all on one colour scale."""
    names = [row["strategy"] for row in record.rows]
    runs = [record.runs[name] for name in names if name in record.runs]
    finals = [run.fields[-1] for run in runs]
    limit = max([2.0 * record.tolerance_mm] + [colour_limit(field.d_mm) for field in finals])
    window = zoom([run.fields[0] for run in runs] + finals if _one_grid(record) else finals[:1],
                  record.tolerance_mm, ASPECT)
    columns = min(3, len(names))
    lines = math.ceil(len(names) / columns)
    wide = 3.45
    high = wide / ASPECT
    fig = new_figure(0.8 + columns * (wide + 0.25) + 1.2, 1.0 + lines * (high + 0.75) + 0.25)
    title(fig, "What each strategy leaves", f"{record.title} \u00b7 same colours for all")
    image = None
    for k, name in enumerate(names):
        row, column = divmod(k, columns)
        bottom = 0.7 + (lines - 1 - row) * (high + 0.75)
        ax = place(fig, 0.75 + column * (wide + 0.25), bottom, wide, high)
        ax.set_title(_caption(record.rows[k]), fontsize=11)
        ax.tick_params(labelleft=column == 0,
                       labelbottom=row == lines - 1 or k + columns >= len(names))
        if name not in record.runs:
            ax.text(0.5, 0.5, "no stored run", transform=ax.transAxes, ha="center", color=GREY)
            continue
        field = record.runs[name].fields[-1]
        image = draw_map(ax, field, window, limit, record.tolerance_mm)
        mark_or_say_flat(ax, field, record.tolerance_mm, window, most=2, size=9.0)
        if column == 0:
            ax.set_ylabel("y (mm)")
        if k + columns >= len(names):
            ax.set_xlabel("x (mm)")
    if image is not None:
        bar = fig.colorbar(image, cax=place(fig, 0.75 + columns * (wide + 0.25), 0.7, 0.18,
                                            lines * (high + 0.75) - 0.75))
        bar.set_label("deviation d (mm)    low < 0 < high")
    return fig


def race_figure(record: ComparisonRecord) -> Figure:
    """Largest low (below zero) and high (above) over steps, all strategies in one diagram."""
    fig = new_figure(12.0, 6.6)
    title(fig, "Lows and highs of all strategies, step by step", record.title, left_in=0.9)
    ax = place(fig, 0.9, 0.75, 8.4, 5.0)
    tolerance = record.tolerance_mm
    tolerance_band(ax, tolerance)
    for k, row in enumerate(record.rows):
        run = record.runs.get(row["strategy"])
        if run is None:
            continue
        colour = STRATEGY_COLOURS[k % len(STRATEGY_COLOURS)]
        number = [step.number for step in run.steps]
        style = "-" if k < len(STRATEGY_COLOURS) else "--"
        for values in ([s.max_low_mm for s in run.steps], [s.max_high_mm for s in run.steps]):
            ax.plot(number, values, color=colour, lw=2.0, ls=style)
            ax.plot(number[-1], values[-1], "o", color=colour, ms=7, mec="white", mew=0.8)
        ax.plot([], [], color=colour, lw=2.6, ls=style, label=_caption(row, "\n"))
    ax.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), labelspacing=0.9)
    name_band(ax, tolerance)
    ax.set_xlabel("step (0 = the dent before any work); a dot ends each strategy")
    ax.set_ylabel("largest low and largest high (mm)")
    whole_numbers(ax)
    ax.set_xlim(left=0)
    return fig


def draw_bars(ax: Axes, values: list[float], style: str) -> None:
    """Bars of one quantity in the strategies' colours, with the number at the end of each."""
    top = max((value for value in values if np.isfinite(value)), default=1.0) or 1.0
    for k, value in enumerate(values):
        if np.isfinite(value):
            ax.barh(k, value, height=0.62, color=STRATEGY_COLOURS[k % len(STRATEGY_COLOURS)])
        text = style.format(value) if np.isfinite(value) else "-"
        ax.text((value if np.isfinite(value) else 0.0) + 0.03 * top, k, text, va="center",
                fontweight="bold")
    ax.set_xlim(0.0, 1.2 * top)
    whole_numbers(ax)


def draw_left_over(ax: Axes, record: ComparisonRecord) -> None:
    """Bars of the largest low (left of zero) and largest high (right), with shaded tolerance."""
    lows = [-abs(value_of(row, "max_low_mm")) for row in record.rows]
    highs = [abs(value_of(row, "max_high_mm")) for row in record.rows]
    finite = [abs(value) for value in lows + highs if np.isfinite(value)]
    top = max([*finite, 1.5 * record.tolerance_mm])
    tolerance_band(ax, record.tolerance_mm, upright=True)
    for k, row in enumerate(record.rows):
        for value, colour, side in ((lows[k], LOW, "right"), (highs[k], HIGH, "left")):
            if np.isfinite(value):
                ax.barh(k, value, height=0.42, color=colour)
                ax.text(value + (0.03 if side == "left" else -0.03) * top, k, signed(value),
                        ha=side, va="center", color=colour, fontweight="bold")
        flat = flat_word(row.get("flat"))
        if flat != "-":
            ax.text(1.02, k, "flat" if flat == "yes" else "not flat",
                    transform=ax.get_yaxis_transform(), va="center", fontweight="bold",
                    color=BAND if flat == "yes" else GREY)
    ax.set_xlim(-1.45 * top, 1.45 * top)
    ax.set_title("Largest low and high left")
    ax.set_xlabel(f"mm   (shaded: tolerance \u00b1{record.tolerance_mm:g} mm)")


def draw_rows(ax: Axes, names: list[str]) -> None:
    """Strategy names from top to bottom, without a vertical axis line."""
    ax.set_yticks(range(len(names)), [shorten(name, 26) for name in names], fontsize=11,
                  color=INK)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)


def value_of(row: Mapping[str, str], key: str) -> float:
    """A cell of compare.csv as a number; NaN if it is empty or missing."""
    text = row.get(key, "")
    return float(text) if text.strip() else float("nan")


def _one_grid(record: ComparisonRecord) -> bool:
    grids = [run.fields[0] for run in record.runs.values()]
    return all(grid.d_mm.shape == grids[0].d_mm.shape for grid in grids)


def _caption(row: Mapping[str, str], between: str = ": ") -> str:
    flat = {"yes": ", flat", "no": ", not flat"}.get(flat_word(row.get("flat")), "")
    steps = row.get("steps", "").strip()
    name = shorten(row["strategy"], 22)
    return f"{name}{between}{steps} steps{flat}" if steps else name
