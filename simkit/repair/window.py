"""The window of fine elements: around measured damage, or where blows will make it."""

from __future__ import annotations

import numpy as np

from simkit.case.blows import GivenBlow
from simkit.case.panel import Panel
from simkit.dent.field import DepthField, Extent
from simkit.inspection.measured import WantedSpot, covered
from simkit.panel.surface import Window

SEEN_MM = 0.05
"""Deviation above which a place counts as damaged, half of the usual tolerance."""
MARGIN_MM = 25.0
"""Width of fine elements around the damage, needed for taps beside the crown."""
FLATTEST_MM = 2500.0
"""Largest radius used for the width of a dent: on flatter panels the sheet stretches instead."""
TRAVEL_KEPT_SHARE = 0.6
"""Share of a travel that remains as depth, for an estimate of the dent's width only."""
DEPTH_OF_JOULE_MM = 3.0
"""Depth left by 1 J, for the same estimate; it grows with the square root of the energy."""


def fine_window(depth: DepthField | None, blows: tuple[GivenBlow, ...] | None, panel: Panel,
                extent: Extent, spots: tuple[WantedSpot, ...] = ()) -> Window:
    """The rectangle with fine elements; half of the panel if nothing is known of the damage.

    ``spots``: measured lows and highs; all of them are inside.
    """
    x0, x1, y0, y1 = extent
    if blows:
        boxes = np.array([_box(blow, panel) for blow in blows])
        a, c = boxes[:, [0, 2]].min(axis=0)
        b, d = boxes[:, [1, 3]].max(axis=0)
    elif depth is None:
        return Window(0.5 * x0, 0.5 * x1, 0.5 * y0, 0.5 * y1)
    else:
        a, b, c, d = covered(damage_box(depth), spots)
    return Window(float(max(x0, a - MARGIN_MM)), float(min(x1, b + MARGIN_MM)),
                  float(max(y0, c - MARGIN_MM)), float(min(y1, d + MARGIN_MM)))


def _box(blow: GivenBlow, panel: Panel) -> Extent:
    """Box in which a blow is expected to dent the sheet.

    A curved sheet is dented almost without stretching: a cap of it is mirrored at a plane, with the
    ridge at sqrt(radius x depth) from the centre (Pogorelov's mirrored cap, known from memory). A
    flat sheet is treated like one with the radius ``FLATTEST_MM``.
    """
    depth = blow.depth_mm or 0.0
    if blow.travel_mm is not None:
        depth = TRAVEL_KEPT_SHARE * blow.travel_mm
    elif blow.energy_J is not None:
        depth = DEPTH_OF_JOULE_MM * float(np.sqrt(blow.energy_J))
    half = 0.5 * max(blow.length_mm or 0.0, blow.width_mm or 0.0)
    reach = []
    for radius in (panel.radius_x_mm, panel.radius_y_mm):
        reach.append(half + float(np.sqrt(min(radius or np.inf, FLATTEST_MM) * depth)))
    return (blow.x_mm - reach[0], blow.x_mm + reach[0], blow.y_mm - reach[1], blow.y_mm + reach[1])


def damage_box(depth: DepthField) -> Extent:
    """Box of the deviations above the noise: x from, to, y from, to; the whole box without any."""
    x0, x1, y0, y1 = depth.box_mm
    x, y = np.linspace(x0, x1, 101), np.linspace(y0, y1, 101)
    out = np.abs(depth(*np.meshgrid(x, y))) > max(SEEN_MM, 3.0 * depth.noise_mm)
    if not out.any():
        return depth.box_mm
    columns, rows = np.flatnonzero(out.any(axis=0)), np.flatnonzero(out.any(axis=1))
    return (float(x[columns[0]]), float(x[columns[-1]]), float(y[rows[0]]), float(y[rows[-1]]))
