"""Braces that were bent along with the panel: they stand behind the dented surface as it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simkit.mechanics.model import State
from simkit.mechanics.workspace import Workspace
from simkit.repair.workpiece import Workpiece, bed_of


def with_bent_beds(work: Workpiece, state: State) -> Workpiece:
    """The workpiece with the supports that the dent bent along, set on the dented ``state``.

    Such a bed has a permanent set of its own: its springs rest where the dent left the sheet, less
    the gap, so that they bear no force there. The same workpiece where there are none.
    """
    bent = [s for s in work.case.panel.supports if s.bent_with_panel]
    if not bent:
        return work
    model, beds = work.model, []
    for support in bent:
        bed = bed_of(model.patch, support)
        moved = np.einsum("mk,mkc->mc", bed.shape,
                          state.displacement[model.element_points[bed.element]])
        beds.append(bed.moved(bed.rest + moved))
    return replace(work, model=replace(model, springs=(*model.springs, *beds),
                                       workspace=Workspace()))
