"""The figure of a ready question: a diagram for each quantity, a line or row of marks for each
series."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simkit.show.style import INK, look, new_figure, save, title

if TYPE_CHECKING:
    from matplotlib.figure import Figure

COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#555555")
"""Okabe and Ito's colours, which can be distinguished with the common colour-vision deficiencies
(from memory)."""
MARKS = "osD^vPX"
LEAST_SPAN = 0.25
"""Least range of an axis as a share of its largest value."""
PANEL_IN, GAP_IN, LEFT_IN, LONGEST_LABEL = 2.5, 0.7, 0.75, 34

Lines = Sequence[tuple[str, str, dict[str, float]]]


def draw_answer(question: str, along: str, lines: Lines, file: Path) -> Path:
    """Write :func:`answer_figure` as a picture."""
    with look():
        return save(answer_figure(question, along, lines), file)


def answer_figure(question: str, along: str, lines: Lines) -> Figure:
    """Draw (label of the quantity, series, points) as diagrams side by side.

    points : values by their label on the axis, in the order of the axis. If all labels are numbers,
        they are drawn to scale as lines; otherwise each label has a row with marks and values.
    """
    labels = list(dict.fromkeys(label for label, _, _ in lines))
    names = list(dict.fromkeys(series for _, series, _ in lines))
    keys = list(dict.fromkeys(key for _, _, points in lines for key in points))
    numeric = all(_is_number(key) for key in keys)
    left = LEFT_IN if numeric else 0.35 + 0.085 * max(len(_short(key)) for key in keys)
    width = left + len(labels) * PANEL_IN + (len(labels) - 1) * GAP_IN + 0.35
    legend = 0.3 if len(names) > 1 else 0.0
    height = legend + (3.8 if numeric else 1.75 + 0.42 * len(keys))
    fig = new_figure(width, height)
    title(fig, question if len(question) < 14 * width else question[:200], left_in=0.3)
    low, top = (0.68 + legend, 0.8) if numeric else (0.62 + legend, 0.78)
    for index, label in enumerate(labels):
        ax = fig.add_axes(((left + index * (PANEL_IN + GAP_IN)) / width, low / height,
                           PANEL_IN / width, (height - low - top) / height))
        own = [next((p for q, s, p in lines if (q, s) == (label, name)), {})
               for name in names]
        (_curves if numeric else _rows)(ax, own, names, keys)
        ax.set_title(label, fontsize=9, color=INK, loc="left")
        ax.spines[["top", "right"]].set_visible(False)
        if numeric:
            ax.set_xlabel(along)
        elif index:
            ax.set_yticklabels([])
    if len(names) > 1:
        fig.legend(*fig.axes[0].get_legend_handles_labels(), loc="lower center",
                   ncols=min(4, len(names)), frameon=False, fontsize=8)
    return fig


def _curves(ax: Any, own: Sequence[dict[str, float]], names: Sequence[str],
            keys: Sequence[str]) -> None:
    for number, (points, series) in enumerate(zip(own, names, strict=True)):
        ax.plot([float(key) for key in points], list(points.values()),
                marker=MARKS[number % len(MARKS)], color=COLOURS[number % len(COLOURS)],
                label=series, markersize=5, linewidth=1.4, clip_on=False)
    values = [value for points in own for value in points.values()]
    if values:  # a small relative difference must not fill the whole height of the diagram
        low, high = min(values), max(values)
        lacking = LEAST_SPAN * max(abs(low), abs(high)) - (high - low)
        if lacking > 0.0:
            ax.set_ylim(low - 0.5 * lacking, high + 0.5 * lacking)
    ax.grid(alpha=0.25)


def _rows(ax: Any, own: Sequence[dict[str, float]], names: Sequence[str],
          keys: Sequence[str]) -> None:
    values = [value for points in own for value in points.values()]
    low, high = min([0.0, *values]), max([0.0, *values])
    for number, (points, series) in enumerate(zip(own, names, strict=True)):
        shift = 0.22 * (number - 0.5 * (len(names) - 1))
        colour = COLOURS[number % len(COLOURS)]
        places = [keys.index(key) + shift for key in points]
        ax.hlines(places, 0.0, list(points.values()), color=colour, linewidth=1.2, alpha=0.5)
        ax.plot(list(points.values()), places, MARKS[number % len(MARKS)], color=colour,
                label=series, markersize=5, clip_on=False)
        for place, value in zip(places, points.values(), strict=True):
            outwards = 1 if value >= 0.0 else -1
            ax.annotate(_written(value), (value, place), (6 * outwards, 0), va="center",
                        textcoords="offset points", ha="left" if outwards > 0 else "right",
                        fontsize=7.5, color=INK)
    room = 0.22 * ((high - low) or 1.0)
    ax.set_xlim(low - (room if low < 0.0 else 0.0), high + (room if high > 0.0 else 0.0))
    ax.set_ylim(len(keys) - 0.5, -0.5)
    ax.set_yticks(range(len(keys)), [_short(key) for key in keys])
    ax.axvline(0.0, color=INK, linewidth=0.6)
    ax.grid(axis="x", alpha=0.25)


def _written(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000.0 else f"{value:.0f}"


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _short(text: str) -> str:
    """A label without the brackets of a list, cut to a limited length."""
    text = text.strip('[]"').replace('", "', " + ")
    return text if len(text) <= LONGEST_LABEL else text[:LONGEST_LABEL - 1] + "…"
