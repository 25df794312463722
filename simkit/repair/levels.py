"""Two meshes in one repair: larger elements for the bulk, the case's own ones for the finish.

The larger elements are made of whole elements of the finer mesh (``mesh.bulk_mm``), so that the
state of the panel is carried over as :mod:`simkit.mechanics.refining` describes. The carrying over
is a row of the table of steps without minutes, and is not counted as a step.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from simkit.inspection.sampling import sampling_at
from simkit.mechanics.model import Model, State, build_model
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.refining import Refined, carried, refined
from simkit.repair.bent import with_bent_beds
from simkit.repair.meshing import joined_patch
from simkit.repair.risks import risk_numbers
from simkit.repair.session import Session, Step, unmatched
from simkit.repair.stages import meets
from simkit.repair.steprow import StepRow, shape_numbers
from simkit.repair.workpiece import Workpiece, bed_of

FINER_MESH = "finer-mesh"
"""Word of the row in place of an operation."""


def bulk_level(work: Workpiece) -> Workpiece:
    """The workpiece on the larger elements of the bulk, with ``work`` as its finer one; ``work``
    itself if the case asks for none, or if its narrow spots leave none to join."""
    case, fine = work.case, work.model
    if case.mesh.bulk_mm is None:
        return work
    patch = joined_patch(fine.patch, work.spots, case.mesh.bulk_mm)
    if patch.shape == fine.patch.shape:
        return work
    model = build_model(
        patch, fine.sheet, fine.thickness_mm, dict(fine.edges), case.mesh.layers,
        braces=tuple(bed_of(patch, s) for s in case.panel.supports if not s.bent_with_panel),
        solver=fine.solver, threads=fine.threads)
    return replace(
        work, model=model, finer=work,
        sampling=sampling_at(patch, work.sampling.x_mm, work.sampling.y_mm),
        close=sampling_at(patch, work.close.x_mm, work.close.y_mm))


def with_beds(work: Workpiece, state: State) -> Workpiece:
    """The workpiece with its bent supports behind the dented ``state``, on both meshes."""
    if work.finer is None:
        return with_bent_beds(work, state)
    finer = with_bent_beds(work.finer, carried(work.model, state, work.finer.model))
    return replace(with_bent_beds(work, state), finer=finer)


def level_of(work: Workpiece, state: State) -> Workpiece | None:
    """The workpiece on the mesh of a state: ``work`` or its finer one; None for another panel."""
    for level in (work, work.finer):
        if level is not None:
            virgin = level.model.virgin()
            if (state.displacement.shape == virgin.displacement.shape
                    and state.points.shape == virgin.points.shape):
                return level
    return None


def on_finest(work: Workpiece, state: State) -> tuple[Model, State]:
    """Model and state on the finest mesh of a repair, not brought to equilibrium; for records,
    which are on one mesh from the first step to the last."""
    if work.finer is None:
        return work.model, state
    free = replace(state, standing=())
    return work.finer.model, carried(work.model, free, work.finer.model)


def steps_taken(session: Session) -> int:
    """Number of steps so far, without the carrying over to the finer mesh."""
    return sum(step.row.operation != FINER_MESH for step in session.steps[1:])


def may_go_finer(session: Session) -> bool:
    """Whether a repair is on the larger elements, with nothing held, and has not just failed to
    leave them."""
    return (session.work.finer is not None and not session.state.standing
            and session.now.row.operation != FINER_MESH)


def bulk_is_out(session: Session) -> bool:
    """Whether a repair has reached the stage at which it leaves the larger elements."""
    return meets(session.work.case.goal, "bulk", session.now.row)


def to_finer(session: Session) -> Session:
    """The repair on the finer mesh, after a row that says what changed.

    Without an equilibrium there it stays on the larger elements, and the row says so.
    """
    finer = session.work.finer
    assert finer is not None
    done = refined(session.work.model, session.state, finer.model)
    work, state = (finer, done.state) if done.converged else (session.work, session.state)
    field = work.sampling.field(state)
    shape = shape_numbers(work, state, field, session.steps[0].field, session.ring)
    row = StepRow(
        step=session.now.row.step + 1, operation=FINER_MESH,
        outcome=(Outcome.CARRIED_OVER if done.converged else Outcome.NO_CONVERGENCE).value,
        **_change(session, field.d_mm, done), **shape,
        **risk_numbers(work, None, state, session.now.field, field, 0.0,
                       shape["max_face_strain"]))
    row = row if session.matched else unmatched(row)
    # states of steps before belong to the other mesh: nothing continues from them
    kept = session.steps if not done.converged else tuple(
        replace(step, state=None, result=None) for step in session.steps)
    return replace(session, work=work, steps=(*kept, Step(row, field, state)))


def _change(session: Session, d_mm: np.ndarray, done: Refined) -> dict[str, Any]:
    """Where the heights changed most, the energies, and all of it in words."""
    if not done.converged:
        return {"reason": "no equilibrium on the finer mesh"}
    before = session.now.field
    at = np.unravel_index(np.nanargmax(np.abs(d_mm - before.d_mm)), d_mm.shape)
    stored, worked = (done.after_Nmm - done.before_Nmm,
                      done.plastic_after_Nmm - done.plastic_before_Nmm)
    moved = float(d_mm[at] - before.d_mm[at])
    place = f"({before.x_mm[at[1]]:.0f}, {before.y_mm[at[0]]:.0f})"
    return {
        "stored_Nmm": stored, "plastic_Nmm": worked,
        "reason": (f"heights changed by up to {abs(moved):.2g} mm, at {place}; stored energy "
                   f"{done.before_Nmm:.4g} to {done.after_Nmm:.4g} N mm, plastic work "
                   f"{done.plastic_before_Nmm:.4g} to {done.plastic_after_Nmm:.4g} N mm")}
