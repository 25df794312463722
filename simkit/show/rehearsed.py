"""A rehearsed repair: what each step was foretold to do, what it did, and what readings taught."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from simkit.show.style import GREY, INK, STRATEGY_COLOURS, look, new_figure, place, save, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SHOWN = "low_rise_mm"
"""Result of a step that is drawn: the rise of the middle."""
HALVES = (("yes", "With readings", STRATEGY_COLOURS[0]), ("no", "Without", STRATEGY_COLOURS[1]))


def draw_rehearsed(name: str, rows: Sequence[Mapping[str, str]], file: Path) -> Path:
    """Draw the table of a rehearsal (``rehearsed.csv``): the rise of the middle after each step
    with its prediction and band, with readings and without, and the weight of the true history."""
    with look():
        fig = new_figure(11.4, 6.6)
        title(fig, f"Plan, do, measure, correct: {name}",
              "predicted given the height that the hand reached; bars: band of the prediction")
        shared: Axes | None = None
        for k, (key, words, colour) in enumerate(HALVES):
            ax = place(fig, 0.85 + 5.3 * k, 2.75, 4.7, 2.7)
            part = [row for row in rows if row["readings"] == key]
            _rise(ax, part, colour)
            ax.set_title(words)
            if shared is not None:
                low, high = (f(a, b) for f, a, b in zip(
                    (min, max), shared.get_ylim(), ax.get_ylim(), strict=True))
                for one in (shared, ax):
                    one.set_ylim(low, high)
            else:
                ax.set_ylabel("rise of the middle, mm")
            shared = ax
            weights = place(fig, 0.85 + 5.3 * k, 0.75, 4.7, 1.3)
            _weights(weights, part, colour)
            if k == 0:
                weights.set_ylabel("weight of the\ntrue history, %")
        return save(fig, file)


def _rise(ax: Axes, rows: Sequence[Mapping[str, str]], colour: str) -> None:
    step, real, told, low, high = (np.array([float(row[key]) for row in rows]) for key in (
        "step", SHOWN, *(f"{SHOWN}{end}" for end in ("_foretold", "_from", "_to"))))
    ax.errorbar(step, told, yerr=(told - low, high - told), fmt="o", color=colour, markersize=4,
                capsize=3, linewidth=1.2, label="foretold")
    ax.plot(step, real, "_", color=INK, markersize=14, markeredgewidth=2.0, label="happened")
    ax.legend(loc="best")
    _steps(ax, step)


def _weights(ax: Axes, rows: Sequence[Mapping[str, str]], colour: str) -> None:
    step = np.array([float(row["step"]) for row in rows])
    weight = [100.0 * float(row["weight_of_the_true"] or np.nan) for row in rows]
    ax.step(step, weight, where="mid", color=colour, linewidth=1.8)
    ax.axhline(50.0, color=GREY, linewidth=0.6)
    ax.set_ylim(0.0, 100.0)
    ax.set_xlabel("step")
    _steps(ax, step)


def _steps(ax: Axes, step: np.ndarray) -> None:
    last = max(float(step.max(initial=1.0)), 1.0)
    ax.set_xlim(0.5, last + 0.5)
    ax.set_xticks(np.unique(np.linspace(1, last, min(int(last), 10)).round()))
    ax.grid(alpha=0.25)
