"""A map in bands of deviation whose widths grow with the deviation.

On a linear scale, a deep dent makes a low crown invisible.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simkit.record.read import Field, RunRecord
from simkit.show.maps import ASPECT, mark_or_say_flat
from simkit.show.region import Region, fine, zoom
from simkit.show.style import (
    DIVERGING,
    INK,
    OUTSIDE,
    colour_limit,
    new_figure,
    place,
    signed,
    title,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LEAST_TOLERANCES = 10.0
"""Least ratio of the largest deviation to the tolerance for which this picture is drawn."""


def band_levels(tolerance_mm: float, limit_mm: float) -> list[float]:
    """Levels above zero: the tolerance, then 1, 2, 5, 10, ... up to the limit, mm."""
    levels = [tolerance_mm]
    for power in range(-3, 4):
        for digit in (1.0, 2.0, 5.0):
            level = digit * 10.0**power
            if 1.4 * tolerance_mm < level < limit_mm:
                levels.append(round(level, 6))
    return [*levels, limit_mm]


def band_figure(record: RunRecord, step: int | None = None) -> Figure:
    """Deviation before and after in bands with contour lines; the bands are not evenly spaced."""
    from matplotlib.colors import BoundaryNorm

    number = record.step_index(step)
    pair = (record.fields[0], record.fields[number])
    window = zoom(pair, record.tolerance_mm, ASPECT)
    half = band_levels(record.tolerance_mm, max(colour_limit(*(f.d_mm for f in pair)),
                                                2.0 * record.tolerance_mm))
    levels = [-level for level in reversed(half)] + half
    colours = band_colours(len(half))
    norm = BoundaryNorm(levels, colours.N)
    fig = new_figure(12.9, 5.9)
    title(fig, f"{record.title}: crown and depth in one picture",
          "colours in bands that about double from the tolerance outwards; each line is the border "
          "of a band")
    for left, name, field in zip((0.75, 6.35), ("Before", f"After {number} steps"), pair,
                                 strict=True):
        ax = place(fig, left, 0.65, 5.15, 5.15 / ASPECT)
        image = draw_bands(ax, field, window, levels, colours, norm)
        mark_or_say_flat(ax, field, record.tolerance_mm, window, most=3)
        ax.set_title(name)
        ax.set_xlabel("x (mm)")
        if left < 1.0:
            ax.set_ylabel("y (mm)")
        else:
            ax.tick_params(labelleft=False)
    bar = fig.colorbar(image, cax=place(fig, 11.7, 0.65, 0.2, 5.15 / ASPECT), spacing="uniform",
                       ticks=levels)
    label_bands(bar, levels)
    return fig


def label_bands(bar: Any, levels: list[float]) -> None:
    """Borders of the bands beside a colour bar."""
    bar.ax.set_yticklabels([signed(level, 3).rstrip("0").rstrip(".") for level in levels])
    bar.set_label("deviation d (mm), bands not even")


def band_colours(count: int) -> Any:
    """White within the tolerance, then equal colour steps of the usual diverging map."""
    import matplotlib as mpl
    from matplotlib.colors import ListedColormap

    usual = mpl.colormaps[DIVERGING]
    high = [usual(0.5 + 0.46 * (k + 1) / (count - 1)) for k in range(count - 1)]
    low = [usual(0.5 - 0.46 * (k + 1) / (count - 1)) for k in range(count - 1)]
    return ListedColormap([*reversed(low), (1.0, 1.0, 1.0, 1.0), *high])


def draw_bands(ax: Axes, field: Field, window: Region, levels: list[float], colours: Any,
               norm: Any) -> Any:
    """Deviations in bands with the borders as thin lines, axes in mm, equal aspect."""
    part = fine(field, window)
    image = ax.imshow(np.ma.masked_invalid(part.d_mm), cmap=colours, norm=norm, origin="lower",
                      extent=(window.x0, window.x1, window.y0, window.y1), aspect="equal",
                      interpolation="nearest")
    ax.set_facecolor(OUTSIDE)
    shown = [level for level in levels if np.nanmin(part.d_mm) < level < np.nanmax(part.d_mm)]
    if shown:
        ax.contour(part.x_mm, part.y_mm, part.d_mm, levels=shown, colors=[INK], linewidths=0.5,
                   linestyles="solid", alpha=0.6)
    for spine in ax.spines.values():
        spine.set_visible(True)
    return image
