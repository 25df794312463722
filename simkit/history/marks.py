"""Remarks on the state of a dent: area surplus, stretched sheet, strain beyond the law's range."""

from __future__ import annotations

import numpy as np

from simkit.mechanics.model import State
from simkit.repair.steprow import area_surplus_mm2
from simkit.repair.workpiece import Workpiece

STRETCHED_MM2, STRETCHED_PER_MM = 8.0, 2.0
"""Area surplus above which sheet counts as stretched, absolute and per mm of depth. Struck dents of
curved panels have -1 to +1 mm^2 per mm of depth (own computations, benchmarks/size_ladder.py)."""


def marks_of(work: Workpiece, state: State) -> tuple[str, ...]:
    """Remarks as sentences without the full stop."""
    field = work.sampling.field(state)
    depth = float(np.nanmax(np.abs(field.d_mm)))
    surplus = area_surplus_mm2(work.model, state)
    if depth < 1e-6:
        return ()
    marks = [f"Area surplus {surplus:.1f} mm^2"]
    if surplus > max(STRETCHED_MM2, STRETCHED_PER_MM * depth):
        marks[0] += ": stretched, more area than fits there, which no tool here removes"
    beyond = outside_law(work, state)
    return (*marks, beyond) if beyond else tuple(marks)


def outside_law(work: Workpiece, state: State) -> str:
    """A sentence if plastic strain is beyond the range of the sheet's law; else empty."""
    limit, model = work.model.sheet.strain_range, work.model
    strain = state.points[..., 3].max(axis=2)
    over = strain > limit
    if not over.any():
        return ""
    k = np.unravel_index(int(np.argmax(strain)), strain.shape)
    x, y, _ = model.geometry.place[k]
    share = float(model.geometry.area[over].sum() / model.geometry.area.sum())
    return (f"Outside the law's range: plastic strain {strain[k]:.2f} at ({x:.0f}, {y:.0f}), the "
            f"law reaches {limit:g}; {100.0 * share:.2g} % of the panel is beyond it")
