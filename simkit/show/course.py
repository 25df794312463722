"""Comparison of strategies: improvement over steps and minutes, stages, final deviation, risks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from simkit.mechanics.outcome import Outcome
from simkit.record.read import ComparisonRecord, RunRecord
from simkit.show.progress import label_ends
from simkit.show.style import (
    GREY,
    INK,
    STRATEGY_COLOURS,
    new_figure,
    place,
    shorten,
    title,
    whole_numbers,
)
from simkit.show.versus import (
    draw_bars,
    draw_left_over,
    draw_rows,
    value_of,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

STAGES = ("bulk", "roughed", "fine", "finished")
MARKS = {"bulk": "o", "roughed": "s", "fine": "D", "finished": "*"}
RISKS = (  # column of compare.csv, heading, number format, factor
    ("max_force_N", "largest\nforce, N", "{:.0f}", 1.0),
    ("max_face_strain", "strain at\nthe paint, %", "{:.1f}", 100.0),
    ("max_plastic_strain", "plastic\nstrain, %", "{:.1f}", 100.0),
    ("stretch_mm2", "area\nsurplus, mm\u00b2", "{:.1f}", 1.0),
    ("tool_changes", "tool\nchanges", "{:.0f}", 1.0),
)
FIGURE_WIDTH_IN = 13.4


def comparison_figure(record: ComparisonRecord) -> Figure:
    """Above: improvement over steps and over minutes, with marks of the stages. Below, a row for
    each strategy: steps and minutes to each stage, largest low and high left, loads on the sheet.

    Coinciding curves stay visible, since each is drawn narrower than the one below it.
    """
    count = len(record.rows)
    low = max(0.5 * count, 1.3)
    fig = new_figure(FIGURE_WIDTH_IN, low + 7.15)
    title(fig, "Strategies compared", record.title, left_in=0.5)
    bottom = low + 2.1
    for left, key, name in ((0.9, "step", "steps"), (7.35, "minutes", "minutes")):
        ax = place(fig, left, bottom, 4.35, 3.65)
        _courses(ax, record, key)
        ax.set_xlabel(name)
        ax.set_title(f"Improvement over {name}")
        if key == "step":
            ax.set_ylabel("improvement (%)")
    _rows_below(fig, record, low)
    return fig


def _courses(ax: Axes, record: ComparisonRecord, key: str) -> None:
    """One line with stages for each strategy; the widest is drawn first, so that none is hidden."""
    ends = []
    count = len(record.rows)
    for k, row in enumerate(record.rows):
        run = record.runs.get(row["strategy"])
        if run is None:
            continue
        colour = STRATEGY_COLOURS[k % len(STRATEGY_COLOURS)]
        along, better = course(run, key)
        ax.plot(along, better, color=colour, lw=2.0 + 1.7 * (count - 1 - k), zorder=2 + k,
                solid_capstyle="round")
        ax.plot(along[-1], better[-1], marker="o", ms=4, color="white", mec=colour, mew=1.4,
                zorder=30)
        ends.append((float(better[-1]), colour, f"{shorten(row['strategy'], 17)}"))
        for stage in STAGES:
            at = value_of(row, f"{'steps' if key == 'step' else 'minutes'}_{stage}")
            if np.isfinite(at):
                ax.plot(at, np.interp(at, along, better), marker=MARKS[stage], ms=9,
                        color=colour, mec="white", mew=1.0, zorder=40 + k)
    ax.axhline(100.0, color=GREY, lw=0.7)
    ax.set_ylim(min([0.0, *(end[0] for end in ends)]), 104.0)
    ax.set_xlim(left=0.0)
    if key == "step":
        whole_numbers(ax)
    label_ends(ax, ends)


def course(run: RunRecord, key: str) -> tuple[np.ndarray, np.ndarray]:
    """Steps or minutes since the start, and improvement after each step, per cent."""
    better = np.array([step.number_of("improvement_pct") for step in run.steps])
    if key == "step":
        # rows that did nothing are no steps, as in the steps to a stage
        done = [step.outcome not in Outcome.idle_words() for step in run.steps]
        return np.cumsum(done, dtype=float) - 1.0, better
    minutes = np.array([step.number_of("minutes") for step in run.steps])
    return np.cumsum(np.nan_to_num(minutes)), better


def _rows_below(fig: Figure, record: ComparisonRecord, height: float) -> None:
    names = [row["strategy"] for row in record.rows]
    bottom = 0.75
    ax = place(fig, 2.35, bottom, 3.1, height)
    if any(f"steps_{stage}" in row for row in record.rows for stage in STAGES):
        _stages(ax, record.rows)
    else:
        draw_bars(ax, [value_of(row, "steps") for row in record.rows], "{:.0f}")
        ax.set_title("Steps")
    draw_rows(ax, names)
    ax = place(fig, 5.75, bottom, 2.75, height)
    draw_left_over(ax, record)
    ax.tick_params(labelleft=False)
    draw_rows(ax, names)
    ax.tick_params(labelleft=False)
    ax = place(fig, 9.35, bottom, 3.8, height)
    _risks(ax, record.rows)


def _stages(ax: Axes, rows: Sequence[Mapping[str, str]]) -> None:
    """A mark for each stage at its number of steps, with its minutes; a cross at the end of a run
    that did not reach its goal."""
    from matplotlib.lines import Line2D

    most = max([value_of(row, "steps") for row in rows if np.isfinite(value_of(row, "steps"))],
               default=1.0)
    for k, row in enumerate(rows):
        colour = STRATEGY_COLOURS[k % len(STRATEGY_COLOURS)]
        end = value_of(row, "steps")
        ax.plot([0, end], [k, k], color=colour, lw=2.4, alpha=0.45)
        reached: dict[float, list[str]] = {}
        for stage in STAGES:
            at = value_of(row, f"steps_{stage}")
            if np.isfinite(at):
                reached.setdefault(at, []).append(stage)
        for at, stages in reached.items():
            ax.plot(at, k, marker=MARKS[stages[-1]], ms=9, color=colour, mec="white", mew=1.0)
            minutes = value_of(row, f"minutes_{stages[-1]}")
            ax.annotate(f"{minutes:.0f} min", (at, k), (0, 7), textcoords="offset points",
                        fontsize=9, ha="center", color=INK)
        if row.get("flat") != "yes":
            ax.plot(end, k, marker="x", ms=7, mew=2.0, color=GREY)
    ax.set_xlim(-0.3, 1.12 * max(most, 1.0))
    ax.set_title("Stages reached")
    ax.set_xlabel("steps")
    whole_numbers(ax)
    keys = [Line2D([], [], ls="", marker=MARKS[stage], color=GREY, ms=7, label=stage)
            for stage in STAGES]
    keys.append(Line2D([], [], ls="", marker="x", color=GREY, ms=6, mew=2.0,
                       label="short of the goal"))
    figure = ax.get_figure(root=True)
    assert figure is not None
    figure.legend(handles=keys, loc="upper right", ncols=5, handletextpad=0.2, columnspacing=1.1,
                  bbox_to_anchor=(1.0 - 0.2 / FIGURE_WIDTH_IN, 1.0 - 0.3 / figure.get_figheight()))


def _risks(ax: Axes, rows: Sequence[Mapping[str, str]]) -> None:
    """Loads of each repair on sheet, paint and glue; the worst number of a column is bold."""
    shown = [risk for risk in RISKS if any(np.isfinite(value_of(row, risk[0])) for row in rows)]
    ax.set_xlim(0.0, max(len(shown), 1))
    for column, (key, name, style, factor) in enumerate(shown):
        ax.text(column + 0.5, -0.62, name, ha="center", va="bottom", fontsize=9, color="#444444")
        values = [factor * value_of(row, key) for row in rows]
        finite = [v for v in values if np.isfinite(v)]
        for k, value in enumerate(values):
            worst = np.isfinite(value) and value == max(finite) and min(finite) < value
            text = style.format(value).replace("-", "\u2212") if np.isfinite(value) else "-"
            ax.text(column + 0.5, k, text,
                    ha="center", va="center", fontsize=10,
                    fontweight="bold" if worst else "normal")
    ax.text(0.0, 1.0, "What it asked of the sheet", transform=ax.transAxes, fontsize=12,
            fontweight="bold", va="bottom").set_position((0.0, 1.0 + 0.42 / _inches(ax)))
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.axis("off")


def _inches(ax: Axes) -> float:
    figure = ax.get_figure(root=True)
    assert figure is not None
    return float(ax.get_position().height * figure.get_figheight())
