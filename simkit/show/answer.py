"""The figure of a ready question: one panel a quantity, one line a series."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from simkit.show.style import INK, look, new_figure, save, title

COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#555555")
"""Okabe and Ito's colours, told apart with the common colour-vision deficiencies (from memory)."""
MARKS = "osD^vPX"


def draw_answer(question: str, along: str, lines: Sequence[tuple[str, str, dict[str, float]]],
                file: Path) -> Path:
    """Draw (label of the quantity, series, points) as panels side by side.

    points : label on the axis to value, in the order of the axis; numbers are placed to scale.
    """
    labels = list(dict.fromkeys(label for label, _, _ in lines))
    names = list(dict.fromkeys(series for _, series, _ in lines))
    keys = list(dict.fromkeys(key for _, _, points in lines for key in points))
    numeric = all(_is_number(key) for key in keys)
    with look():
        width = 3.3 * len(labels) + 0.6
        fig = new_figure(width, 4.1)
        title(fig, question if len(question) < 22 * len(labels) + 18 else question[:200],
              left_in=0.3)
        for index, label in enumerate(labels):
            left = (0.75 + 3.3 * index) / width
            ax = fig.add_axes((left, 0.24, 2.35 / width, 0.56))
            for number, series in enumerate(names):
                points = next((p for q, s, p in lines if (q, s) == (label, series)), {})
                x = [float(key) if numeric else keys.index(key) for key in points]
                ax.plot(x, list(points.values()), marker=MARKS[number % len(MARKS)],
                        color=COLOURS[number % len(COLOURS)], label=series, markersize=5,
                        linewidth=1.4, clip_on=False)
            if not numeric:
                ax.set_xticks(range(len(keys)), [_short(key) for key in keys], rotation=20,
                              ha="right")
            ax.set_xlabel(along)
            ax.set_title(label, fontsize=9, color=INK, loc="left")
            ax.grid(alpha=0.25)
            ax.spines[["top", "right"]].set_visible(False)
        if len(names) > 1:
            fig.legend(*fig.axes[0].get_legend_handles_labels(), loc="lower center",
                       ncols=min(4, len(names)), frameon=False, fontsize=8)
        return save(fig, file)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _short(text: str) -> str:
    """A list of one tool as its name; words stay."""
    return text.strip('[]"').replace('", "', " + ")[:24]
