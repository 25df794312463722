"""The measured dent, the one that was found, and what lies between them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simkit.record.read import Field, RunRecord
from simkit.show.maps import add_bar, draw_map, mark_or_say_flat, match_words
from simkit.show.region import zoom
from simkit.show.style import colour_limit, new_figure, place, title

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ASPECT = 1.0
SIDE_IN = 4.1


def match_figure(record: RunRecord, measured: Field) -> Figure:
    """Three maps: measured, found (step 0), found minus measured.

    The first two share one colour scale; the third has its own, no narrower than the tolerance.
    """
    found = record.fields[0]
    gap = Field(found.x_mm, found.y_mm, found.d_mm - _on(measured, found))
    window = zoom((measured, found), record.tolerance_mm, ASPECT)
    shared = colour_limit(measured.d_mm, found.d_mm)
    own = max(colour_limit(gap.d_mm), 2.0 * record.tolerance_mm)
    fig = new_figure(17.0, 6.2)
    title(fig, record.title, match_words(record).replace("before", "the dent found", 1))
    maps = ((0.75, "Measured", measured, shared), (5.15, "Found: step 0", found, shared),
            (11.2, "Found minus measured", gap, own))
    for left, name, field, limit in maps:
        ax = place(fig, left, 0.75, SIDE_IN, SIDE_IN / ASPECT)
        image = draw_map(ax, field, window, limit, record.tolerance_mm)
        mark_or_say_flat(ax, field, record.tolerance_mm, window)
        ax.set_title(name)
        ax.set_xlabel("x (mm)")
        if left == maps[1][0]:
            ax.tick_params(labelleft=False)
        else:
            ax.set_ylabel("y (mm)")
        if left != maps[0][0]:
            add_bar(fig, image, (left + SIDE_IN + 0.15, 0.75, 0.2, SIDE_IN / ASPECT),
                    record.tolerance_mm)
    return fig


def _on(measured: Field, found: Field) -> np.ndarray:
    """The measured deviations; NaN everywhere where they are on another grid."""
    if measured.d_mm.shape == found.d_mm.shape:
        return measured.d_mm
    return np.full_like(found.d_mm, np.nan)
