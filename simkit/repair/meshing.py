"""From a case to the mesh of its panel: fine in the damage, finer where a spot is narrow."""

from __future__ import annotations

import numpy as np

from simkit.case import Case
from simkit.case.panel import Panel
from simkit.case.plan import plan_bounds
from simkit.dent.field import Extent
from simkit.dent.heights import read_heights
from simkit.errors import InputError
from simkit.inspection.measured import WantedSpot, narrowest
from simkit.inspection.sampling import step_within
from simkit.panel.surface import Curvature, Heights, Needs, Window, disc_patch, rectangle_patch
from simkit.spline.basis import Basis, joined_breaks
from simkit.spline.patch import Patch

COARSER_AT_SPOTS = 1.2
"""Largest factor of the element size at a narrow spot, in the coarser mesh of a search."""
LEAST_ELEMENT_MM = 0.25
"""Smallest element size, the lower limit of the case key."""


def remarks(case: Case, spots: tuple[WantedSpot, ...], finest: float | None) -> tuple[str, ...]:
    """Sentences on deviations from the case file, such as smaller elements."""
    if finest is None:
        return ()
    one = min(spots, key=lambda spot: spot.element_mm).spot
    return (f"Elements of {case.mesh.fine_mm:g} mm are too coarse for the {one.kind} of "
            f"{one.height_mm:+.2f} mm at ({one.x_mm:.0f}, {one.y_mm:.0f}): they are made "
            f"{finest:.1f} mm there.",)


def check_spots(case: Case, spots: tuple[WantedSpot, ...]) -> None:
    """Check that all spots can be represented by mesh and grid.

    Raises
    ------
    InputError : a spot too narrow for any mesh, or a panel too large for its smallest spot.
    """
    if not spots:
        return
    x0, x1, y0, y1 = plan_bounds(case.panel)
    small = min(spots, key=lambda spot: spot.step_mm)
    words = (f"a {small.spot.kind} of {small.spot.height_mm:+.2f} mm at x {small.spot.x_mm:.0f}, "
             f"y {small.spot.y_mm:.0f} mm, {small.short_mm:.2g} mm wide at half its height")
    if small.element_mm < LEAST_ELEMENT_MM:
        raise InputError(f"{words}, is narrower than any mesh holds",
                         f"at least {small.short_mm * LEAST_ELEMENT_MM / small.element_mm:.2g} mm; "
                         "is it a stray reading?", file=str(case.file), key="dent")
    need = narrowest(spots)
    step = step_within((x1 - x0) * (y1 - y0), need, need)
    if step > 2.0 * need:
        side = 2.0 * need / step * np.sqrt((x1 - x0) * (y1 - y0))
        raise InputError(
            f"{words}, would be lost on a panel of {x1 - x0:.0f} x {y1 - y0:.0f} mm",
            f"the part of the panel round it, about {side:.0f} mm square or less",
            file=str(case.file), key="panel")


def make_patch(case: Case, extent: Extent, window: Window, spots: tuple[WantedSpot, ...],
               coarser: float = 1.0) -> tuple[Patch, float | None]:
    """The panel's surface with elements small enough for every measured spot.

    Also returns the smallest element size that a spot needs; None if the case's own sizes are small
    enough.
    """
    patch = _patch(case, extent, window, coarser)
    needs = _needs(patch, spots, min(coarser, COARSER_AT_SPOTS))
    finer = _patch(case, extent, window, coarser, needs)
    if finer.shape == patch.shape:
        return patch, None
    return finer, min(one.element_mm for one in spots)


def joined_patch(patch: Patch, spots: tuple[WantedSpot, ...], size_mm: float) -> Patch:
    """The same surface on larger elements, each made of whole elements of ``patch``.

    Spots that need smaller elements than ``size_mm`` keep them.
    """
    needs = _needs(patch, spots, 1.0)
    bases = [Basis.from_breaks(joined_breaks(basis.breaks, size_mm, need), patch.degree)
             for basis, need in zip((patch.basis_u, patch.basis_v), needs, strict=True)]
    return Patch.from_map(patch.points, *bases)


def _needs(patch: Patch, spots: tuple[WantedSpot, ...], coarser: float) -> Needs:
    """Intervals of both parameters that need small elements: each spot and half of it on both
    sides, with the element size."""
    needs: Needs = ([], [])
    for one in spots:
        x0, x1, y0, y1 = one.box_mm
        u, v, _ = patch.locate(np.array([x0, x0, x1, x1]), np.array([y0, y1, y0, y1]))
        for need, at, length in zip(needs, (u, v), (x1 - x0, y1 - y0), strict=True):
            size = float(np.ptp(at))
            need.append((float(at.min()) - 0.5 * size, float(at.max()) + 0.5 * size,
                         one.element_mm * coarser * size / length))
    return needs


def _patch(case: Case, extent: Extent, window: Window, coarser: float,
           needs: Needs = ([], [])) -> Patch:
    panel, mesh = case.panel, case.mesh
    fine, coarse = mesh.fine_mm * coarser, mesh.coarse_mm * coarser
    curvature = _surface(panel, extent)
    if panel.outline == "disc":
        half = max(map(abs, (window.x_from, window.x_to, window.y_from, window.y_to)))
        return disc_patch(panel.radius_mm or 0.0, curvature, fine, coarse, mesh.degree,
                          min(half, panel.radius_mm or 0.0), needs=needs)
    return rectangle_patch(extent[:2], extent[2:], curvature, fine, coarse, mesh.degree, window,
                           needs)


def _surface(panel: Panel, extent: tuple[float, float, float, float]) -> Heights:
    if panel.heights_csv is not None:
        return read_heights(panel.heights_csv, extent)
    rx = panel.radius_x_mm or np.inf
    ry = panel.radius_y_mm or np.inf
    return Curvature(rx, ry, round_cap=bool(np.isfinite(rx) and rx == ry))
