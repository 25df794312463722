"""Two sections through the deepest point, over all steps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simkit.record.read import Array, RunRecord
from simkit.show.region import deepest, sections, zoom
from simkit.show.style import BAND, INK, new_figure, place, signed_whole, title, tolerance_band

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FIRST, LAST = INK, "#d55e00"


def section_figure(record: RunRecord, step: int | None = None) -> Figure:
    """Deviation along x and along y through the dent's deepest point, from step 0 to a step.

    The upper diagrams show the full depth; the lower ones show the same lines enlarged near zero,
    where the last steps matter. The tolerance band is shaded. The first line is thick and dark, the
    last thick and orange.
    """
    number = record.step_index(step)
    at = deepest(record.fields[0])
    window = zoom(record.fields, record.tolerance_mm, 1.0)
    grid = record.fields[0]
    lines = [sections(field, at) for field in record.fields[:number + 1]]
    fig = new_figure(12.9, 8.2)
    title(fig, f"Sections through the deepest point, steps 0 to {number}", record.title,
          left_in=0.9)
    # (index of the section, its axis, grid, limits, the other axis and the place on it)
    cuts = ((0, "x", grid.x_mm, (window.x0, window.x1), "y", grid.y_mm[at[0]]),
            (1, "y", grid.y_mm, (window.y0, window.y1), "x", grid.x_mm[at[1]]))
    span = _limits([d for pair in lines for d in pair])
    near = 6.0 * record.tolerance_mm
    for which, name, along, limits, other, place_mm in cuts:
        left = 0.9 + 5.85 * which
        top = place(fig, left, 3.55, 5.3, 3.55)
        low = place(fig, left, 0.7, 5.3, 2.2)
        for ax in (top, low):
            _draw(ax, along, [pair[which] for pair in lines], record.tolerance_mm)
            ax.set_xlim(limits)
            ax.tick_params(labelleft=which == 0)
        top.set_ylim(span)
        top.tick_params(labelbottom=False)
        low.set_ylim(-near, near)
        low.set_xlabel(f"{name} (mm)")
        top.set_title(f"Along {name}, at {other} = {signed_whole(place_mm)} mm")
        if which == 0:
            top.set_ylabel("deviation d (mm)")
            low.set_ylabel("near flat: d (mm)")
    _key(fig, number, record.tolerance_mm)
    return fig


def _draw(ax: Axes, along: Array, profiles: list[Array], tolerance_mm: float) -> None:
    """Lines of all steps over one axis."""
    tolerance_band(ax, tolerance_mm)
    thin = 1.1 if len(profiles) < 20 else 0.7
    for profile, colour in zip(profiles[1:-1], _between(max(len(profiles) - 2, 0)), strict=True):
        ax.plot(along, profile, color=colour, lw=thin)
    ax.plot(along, profiles[0], color=FIRST, lw=2.6)
    if len(profiles) > 1:
        ax.plot(along, profiles[-1], color=LAST, lw=2.6)


def _between(count: int) -> list[tuple[float, float, float, float]]:
    """Colours of the steps between the first and the last, from dark to light."""
    import matplotlib as mpl

    return [tuple(mpl.colormaps["viridis"](value)) for value in np.linspace(0.12, 0.88, count)]


def _limits(profiles: list[Array]) -> tuple[float, float]:
    """Limits of the vertical axis with a margin; they always include zero."""
    low = min(0.0, *(float(np.nanmin(d)) for d in profiles))
    high = max(0.0, *(float(np.nanmax(d)) for d in profiles))
    margin = 0.08 * max(high - low, 0.1)
    return low - margin, high + margin


def _key(fig: Figure, number: int, tolerance_mm: float) -> None:
    """Legend beside the heading: first line, some between, last line, tolerance."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    entries: list[Line2D | Patch] = [Line2D([], [], color=FIRST, lw=2.6, label="before")]
    between = _between(number - 1) if number > 1 else []
    shown = sorted({0, (len(between) - 1) // 2, len(between) - 1}) if between else []
    entries += [Line2D([], [], color=between[k], lw=1.4, label=f"step {k + 1}") for k in shown]
    if number > 0:
        entries.append(Line2D([], [], color=LAST, lw=2.6, label=f"after {number}"))
    entries.append(Patch(color=BAND, alpha=0.22, lw=0,
                         label=f"tolerance \u00b1{tolerance_mm:g} mm"))
    fig.legend(handles=entries, loc="upper right", bbox_to_anchor=(12.1 / 12.9, 1 - 0.42 / 8.2),
               ncols=len(entries), handlelength=1.6, columnspacing=1.3)
