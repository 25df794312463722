"""Braces that were bent together with the panel: their shape follows the dented surface."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simkit.mechanics.model import State
from simkit.mechanics.workspace import Workspace
from simkit.repair.workpiece import Workpiece, bed_of


def with_bent_beds(work: Workpiece, state: State) -> Workpiece:
    """The workpiece with its bent supports placed behind the dented ``state``.

    Such a bed has a permanent deformation: the rest positions of its springs follow the dented
    sheet, with the gap, so that they carry no force there. Without such supports the workpiece is
    returned unchanged.
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
