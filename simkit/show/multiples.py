"""Deviation after every step as small maps with one scale of bands."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from simkit.record.read import RunRecord
from simkit.show.bands import band_colours, band_levels, draw_bands, label_bands
from simkit.show.maps import ASPECT
from simkit.show.region import zoom
from simkit.show.style import (
    INK,
    colour_limit,
    new_figure,
    place,
    shorten,
    signed,
    symbol,
    title,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_PICTURES = 12


def multiples_figure(record: RunRecord) -> Figure:
    """Deviation of the dent and after each step, or of twelve steps spread over the repair.

    The bands are those of `bands.png`: on a linear scale, only the first maps would show anything.
    """
    from matplotlib.colors import BoundaryNorm

    last = record.last
    shown = sorted({round(k) for k in np.linspace(0, last, min(last + 1, MOST_PICTURES))})
    half = band_levels(record.tolerance_mm, max(colour_limit(*(f.d_mm for f in record.fields)),
                                                2.0 * record.tolerance_mm))
    levels = [-level for level in reversed(half)] + half
    colours = band_colours(len(half))
    norm = BoundaryNorm(levels, colours.N)
    window = zoom(record.fields, record.tolerance_mm, ASPECT)
    columns = min(4, len(shown))
    rows = math.ceil(len(shown) / columns)
    wide = 2.8
    tall = wide / ASPECT
    fig = new_figure(0.7 + columns * (wide + 0.15) + 1.2, 1.05 + rows * (tall + 0.75))
    title(fig, "Deviation, step by step", f"{record.title} \u00b7 {record.strategy} \u00b7 colours "
          "in bands that are not even", left_in=0.7)
    for k, number in enumerate(shown):
        row, column = divmod(k, columns)
        bottom = 0.45 + (rows - 1 - row) * (tall + 0.75)
        ax = place(fig, 0.7 + column * (wide + 0.15), bottom, wide, tall)
        image = draw_bands(ax, record.fields[number], window, levels, colours, norm)
        step = record.steps[number]
        if number and np.isfinite(step.x_mm):
            ax.plot(step.x_mm, step.y_mm, marker=symbol(step.operation)[0], ms=6, mfc=INK,
                    mec="white", mew=0.8)
        name = "The dent" if number == 0 else f"{number}: {step.operation} {step.tool}"
        ax.set_title(shorten(name, 28), fontsize=10)
        ax.tick_params(labelleft=False, labelbottom=False, length=0)
        fig.text((0.7 + column * (wide + 0.15)) / fig.get_figwidth(),
                 (bottom - 0.13) / fig.get_figheight(), va="center", fontsize=9.5,
                 s=f"low {signed(step.max_low_mm)}, high {signed(step.max_high_mm)} mm")
    bar = fig.colorbar(image, cax=place(fig, 0.7 + columns * (wide + 0.15) + 0.05, 0.45, 0.18,
                                        rows * (tall + 0.75) - 0.75), spacing="uniform",
                       ticks=levels)
    label_bands(bar, levels)
    return fig
