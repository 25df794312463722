"""Improvement over minutes for the runs of a promise, and the promised curves."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simkit.show.style import look, new_figure, place, save, title

BLUE = "#0072b2"


def draw_promise(name: str, grid_min: NDArray[np.float64], curves: NDArray[np.float64],
                 levels: dict[str, NDArray[np.float64]], file: Path) -> Path:
    """Draw every run as a thin line, and the promised improvement for each share of cases.

    levels : improvement, %, at each time, by the share in words; nan if there are too few runs.
    """
    with look():
        fig = new_figure(8.4, 5.0)
        title(fig, f"What can be promised: {name}",
              f"{len(curves)} runs over histories, sheet and hand; improvement of what lies beyond "
              "the tolerance")
        ax = place(fig, 0.85, 0.75, 5.6, 3.2)
        for curve in curves:
            ax.step(grid_min, curve, where="post", color="#9aa5ab", linewidth=0.6, alpha=0.7)
        styles = ("-", "--", ":")
        for (words, level), style in zip(levels.items(), styles, strict=False):
            if np.isfinite(level).any():
                ax.step(grid_min, level, where="post", color=BLUE, linestyle=style, linewidth=2.0,
                        label=words)
        ax.axhline(50.0, color="#d55e00", linewidth=0.8)
        ax.text(grid_min[-1], 50.0, " half better", color="#d55e00", fontsize=9, va="center")
        low = float(np.nanmin(curves))
        ax.set_ylim(max(min(0.0, low), -60.0), 102.0)
        ax.set_xlim(0.0, grid_min[-1])
        ax.set_xlabel("minutes of work")
        ax.set_ylabel("improvement, %")
        ax.grid(alpha=0.25)
        if ax.get_legend_handles_labels()[0]:
            ax.legend(loc="lower right", title="reached in")
        return save(fig, file)
