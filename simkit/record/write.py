"""The run folder: every step on disk as soon as it is done, never a half-written file.

A folder holds case.json (the case as resolved, with what identifies it), surface.npz (the undamaged
mid-surface as a B-spline), steps.csv, fields/NNNN.npz (deviation grid after each step, how the
control points have moved, and what is in the sheet), steps/NNNN_path.csv (force against travel),
states/NNNN.npz (the dent's state and the last one), log.txt and, once the run has ended, run.json.
docs/run-folder.md lists every array. Every file is written
beside its place and then moved there, and a step counts once its row stands in steps.csv; so a run
that was killed at any moment goes on from its last complete step.
"""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np

from simkit import __version__
from simkit.case import Case, resolved
from simkit.errors import InputError
from simkit.files import write_arrays, write_json, write_table
from simkit.inspection.sheetmaps import sheet_maps
from simkit.inspection.spots import SampledField
from simkit.mechanics.model import State
from simkit.mechanics.standing import standing_arrays, standing_from
from simkit.repair.session import Session, Step, first_ring
from simkit.repair.steprow import COLUMNS, StepRow
from simkit.repair.workpiece import Workpiece
from simkit.spline.patch import Patch

FORMAT = 1


def identity(case: Case) -> dict[str, Any]:
    """What makes two runs the same: version, resolved case, contents of its data files."""
    prints = {".".join(map(str, key)): hashlib.sha256(file.read_bytes()).hexdigest()
              for key, file in case.data_files().items()}
    return {"format": FORMAT, "simkit": __version__, "case": resolved(case), "data_sha256": prints}


def open_folder(folder: Path, what: Mapping[str, Any]) -> bool:
    """Make a folder for something with that identity; True if it already holds part of it.

    Raises
    ------
    InputError : the folder holds something else, or cannot be made.
    """
    mark = folder / "case.json"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if mark.exists():
            if json.loads(mark.read_text("utf-8")) == json.loads(json.dumps(what)):
                return True
            raise InputError("this folder holds another case, strategy or version of it",
                             "a new folder for --out, or --fresh to start it again", str(folder))
        if any(p for p in folder.iterdir() if not p.name.startswith(".")):
            raise InputError("this folder holds something else", "an empty or new folder",
                             str(folder))
        write_json(mark, what)
    except json.JSONDecodeError as error:
        raise InputError("case.json is damaged", "--fresh to start the run again",
                         str(mark)) from error
    except OSError as error:
        raise InputError(f"cannot write here: {error.strerror}", "a folder that can be written",
                         str(folder)) from error
    return False


def save_state(path: Path, state: State) -> None:
    """Write a panel's state."""
    write_arrays(path, {"displacement": state.displacement, "points": state.points,
                        **standing_arrays(state.standing)})


def load_state(path: Path, work: Workpiece) -> State | None:
    """Read a state of this workpiece; None if it is missing, damaged or of another size."""
    try:
        with np.load(path) as data:
            state = State(data["displacement"], data["points"], standing=standing_from(data))
    except (OSError, KeyError, ValueError, BadZipFile):
        return None
    virgin = work.model.virgin()
    fits = (state.displacement.shape == virgin.displacement.shape
            and state.points.shape == virgin.points.shape)
    return state if fits else None


def save_surface(path: Path, patch: Patch) -> None:
    """Write the undamaged mid-surface: knots, degree and control points."""
    write_arrays(path, {"knots_u": patch.basis_u.knots, "knots_v": patch.basis_v.knots,
                        "degree": np.array(patch.degree), "control_mm": patch.control})


def record_step(folder: Path, session: Session) -> None:
    """Write the last step of a session; it counts once steps.csv holds its row."""
    step, number = session.now, session.now.row.step
    field = step.field
    if number == 0:
        save_surface(folder / "surface.npz", session.work.model.patch)
    sheet = {f"sheet_{name}": values.astype(np.float32)
             for name, values in sheet_maps(session.work.model, session.state).items()}
    write_arrays(folder / "fields" / f"{number:04d}.npz",
                 {"x_mm": field.x_mm, "y_mm": field.y_mm, "d_mm": field.d_mm,
                  "moved_mm": session.state.displacement, **sheet})
    if step.result is not None and step.result.path:
        rows = [{"travel_mm": repr(p.travel_mm), "force_N": repr(p.force_N),
                 "predicted_release_mm": "" if np.isnan(p.predicted_mm) else repr(p.predicted_mm)}
                for p in step.result.path]
        write_table(folder / "steps" / f"{number:04d}_path.csv",
                    ("travel_mm", "force_N", "predicted_release_mm"), rows)
    save_state(folder / "states" / f"{number:04d}.npz", session.state)
    write_table(folder / "steps.csv", COLUMNS, [s.row.cells() for s in session.steps])
    if number > 1:
        (folder / "states" / f"{number - 1:04d}.npz").unlink(missing_ok=True)


def resume(folder: Path, work: Workpiece, minutes: Mapping[str, float] | None) -> Session | None:
    """The session as far as its folder holds it; None where not even the dent is complete."""
    try:
        with open(folder / "steps.csv", newline="", encoding="utf-8") as file:
            rows = [StepRow.from_cells(cells) for cells in csv.DictReader(file)]
        fields = [_read_field(folder / "fields" / f"{row.step:04d}.npz") for row in rows]
    except (OSError, KeyError, ValueError, BadZipFile):
        return None
    if not rows:
        return None
    steps = [Step(row, field, None) for row, field in zip(rows, fields, strict=True)]
    for number in {0, len(steps) - 1}:
        state = load_state(folder / "states" / f"{number:04d}.npz", work)
        if state is None:
            return None
        steps[number] = replace(steps[number], state=state)
    ring = first_ring(steps[0].field, work.case.goal.limits[0])
    return Session(work, tuple(steps), ring, minutes)


def _read_field(path: Path) -> SampledField:
    with np.load(path) as data:
        d = data["d_mm"]
        return SampledField(data["x_mm"], data["y_mm"], d, np.isfinite(d))


def finish(folder: Path, session: Session, strategy: str, outcome: str,
           extra: Mapping[str, Any]) -> None:
    """Write run.json: the run has ended."""
    case = session.work.case
    write_json(folder / "run.json", {
        "format": FORMAT, "kind": "run", "simkit": __version__, "title": case.title,
        "about": case.about, "strategy": strategy, "outcome": outcome,
        "goal": case.goal.model_dump(mode="json"), "steps": session.now.row.step, **extra})
