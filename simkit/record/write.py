"""The run folder: every step is stored when it is done, and no file is ever half-written.

A folder holds case.json (the resolved case and its identity), surface.npz (the undamaged
mid-surface as a B-spline), measured.npz (the measured depth field on the run's grid), steps.csv,
fields/NNNN.npz (after each step: deviation grid, displacements of the control points, stresses and
strains of the sheet), steps/NNNN_path.csv (force against travel), states/NNNN.npz (states of the
dent and of the last step) and, after the end of the run, run.json. docs/run-folder.md lists every
array.

Every file is written under a temporary name and then renamed, and a step is complete when its row
is in steps.csv. A run that was killed at any time can therefore be continued after its last
complete step. The folder's mark (see `simkit.folders`) lists the digest of every file; a file with
another digest is not used.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from simkit import __version__
from simkit.case import Case, resolved
from simkit.errors import InputError
from simkit.files import (
    Damaged,
    exact,
    load_arrays,
    load_json,
    read_back,
    write_arrays,
    write_json,
    write_table,
)
from simkit.folders import digests_of
from simkit.inspection.sheetmaps import sheet_maps
from simkit.inspection.spots import SampledField
from simkit.mechanics.model import State
from simkit.mechanics.refining import refined
from simkit.mechanics.standing import standing_arrays, standing_from
from simkit.record.folder import mine
from simkit.record.parts import field_file
from simkit.repair.levels import bulk_level, level_of, on_finest
from simkit.repair.session import Session, Step, first_ring
from simkit.repair.steprow import COLUMNS, StepRow
from simkit.repair.workpiece import Workpiece
from simkit.spline.patch import Patch

FORMAT_VERSION = 1
LARGEST_DESCRIPTION = 20_000_000
"""Bytes of the largest description (JSON) that is read back."""


def identity(case: Case) -> dict[str, Any]:
    """The inputs of a run; equal inputs mean the same run: version, resolved case, digests of its
    data files and, if there are any, the keys set by --set."""
    prints = {".".join(map(str, key)): _print_of(file)
              for key, file in case.data_files().items()}
    what = {"format": FORMAT_VERSION, "simkit": __version__, "case": resolved(case),
            "data_sha256": prints}
    return {**what, "set": dict(case.settings)} if case.settings else what


def _print_of(file: Path) -> str:
    try:
        with open(file, "rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", "the file that was checked",
                         str(file)) from error


def open_folder(folder: Path, what: Mapping[str, Any]) -> bool:
    """Make and mark a folder for a run or other work with that identity; True if it holds it.

    Raises
    ------
    InputError : the folder holds something else, or cannot be made.
    """
    told = json.loads(json.dumps(what))  # as it is read back: tuples become lists
    try:
        if mine(folder):
            listed = digests_of(folder) or {}
            if (folder / "case.json").exists():
                found = load_json(read_back(folder / "case.json", LARGEST_DESCRIPTION))
                if found == told:
                    return True
                raise InputError("this folder holds another case, strategy or version of it",
                                 "a new folder for --out, or --fresh to start it again",
                                 str(folder))
            if any((folder / path).exists() for path in listed):
                raise InputError("case.json is missing", "--fresh to start again", str(folder))
        write_json(folder / "case.json", told)
    except Damaged as fault:
        raise InputError(f"case.json: {fault}", "--fresh to start again", str(folder)) from None
    return False


def save_measured(folder: Path, field: SampledField) -> None:
    """Write the measured depth field on the grid of the run."""
    write_arrays(folder / "measured.npz",
                 {"x_mm": field.x_mm, "y_mm": field.y_mm, "d_mm": field.d_mm})


def save_state(path: Path, state: State) -> None:
    """Write a panel's state."""
    write_arrays(path, {"displacement": state.displacement, "points": state.points,
                        **standing_arrays(state.standing)})


def load_state(path: Path, work: Workpiece,
               say: Callable[[str], None] = lambda text: None) -> State | None:
    """Read a state of this workpiece; None if it is missing or, with a message, if it is damaged or
    of another panel.

    A workpiece with a finer mesh takes states of both. To one without, although its case has
    larger elements for the bulk, a state on those is carried over.
    """
    try:
        data = load_arrays(read_back(path))
        state = State(data["displacement"], data["points"], standing=standing_from(data))
    except (OSError, KeyError, ValueError):
        return None
    except Damaged as fault:
        say(f"{path}: {fault}; computed again")
        return None
    if np.isfinite(state.displacement).all() and np.isfinite(state.points).all():
        if level_of(work, state) is not None:
            return state
        larger = work if work.finer is not None else bulk_level(work)
        if larger is not work and level_of(larger, state) is larger and not state.standing:
            done = refined(larger.model, state, work.model)
            if done.converged:
                return done.state
    say(f"{path}: belongs to another panel; computed again")
    return None


def save_surface(path: Path, patch: Patch) -> None:
    """Write the undamaged mid-surface: knots, degree and control points."""
    write_arrays(path, {"knots_u": patch.basis_u.knots, "knots_v": patch.basis_v.knots,
                        "degree": np.array(patch.degree), "control_mm": patch.control})


def forget_states(folder: Path, session: Session) -> None:
    """Remove states of steps between the dent and the last step, which a killed run may leave."""
    for number in range(1, session.now.row.step):
        (folder / "states" / f"{number:04d}.npz").unlink(missing_ok=True)


def record_step(folder: Path, session: Session) -> None:
    """Write the last step of a session; the step is complete when its row is in steps.csv."""
    step, number = session.now, session.now.row.step
    field = step.field
    model, shown = on_finest(session.work, session.state)
    if number == 0:
        save_surface(folder / "surface.npz", model.patch)
    # Single precision is enough for maps and halves the files; results use the state itself.
    sheet = {f"sheet_{name}": values.astype(np.float32)
             for name, values in sheet_maps(model, shown).items()}
    write_arrays(field_file(folder, number),
                 {"x_mm": field.x_mm, "y_mm": field.y_mm, "d_mm": field.d_mm,
                  "moved_mm": shown.displacement, **sheet})
    if step.result is not None and step.result.path:
        rows = [{"travel_mm": exact(p.travel_mm), "force_N": exact(p.force_N),
                 "predicted_release_mm": exact(p.predicted_mm)} for p in step.result.path]
        write_table(folder / "steps" / f"{number:04d}_path.csv",
                    ("travel_mm", "force_N", "predicted_release_mm"), rows)
    save_state(folder / "states" / f"{number:04d}.npz", session.state)
    # After the field, path and state of the step: its row marks it as complete.
    write_table(folder / "steps.csv", COLUMNS, [s.row.cells() for s in session.steps])
    # The state before is removed only when the new step is complete.
    if number > 1:
        (folder / "states" / f"{number - 1:04d}.npz").unlink(missing_ok=True)


def resume(folder: Path, work: Workpiece, minutes: Mapping[str, float] | None,
           say: Callable[[str], None] = lambda text: None) -> Session | None:
    """The session up to the last stored step; None if the folder holds no complete step.

    A damaged or changed record is named in a message, and the repair must be computed again.
    """
    try:
        text = read_back(folder / "steps.csv").decode("utf-8")
        rows = [StepRow.from_cells(cells) for cells in csv.DictReader(io.StringIO(text))]
        fields = [_read_field(field_file(folder, row.step)) for row in rows]
    except FileNotFoundError:
        return None
    except (OSError, KeyError, ValueError, TypeError, csv.Error) as error:
        say(f"{folder}: the records cannot be read ({type(error).__name__}); computed again")
        return None
    except Damaged as fault:
        say(f"{folder}: a record is {fault}; computed again")
        return None
    if not rows or [row.step for row in rows] != list(range(len(rows))):
        return None
    steps = [Step(row, field, None) for row, field in zip(rows, fields, strict=True)]
    # Only the states of the dent and of the last step are stored; others are not needed.
    for number in {0, len(steps) - 1}:
        state = load_state(folder / "states" / f"{number:04d}.npz", work, say)
        if state is None:
            return None
        steps[number] = replace(steps[number], state=state)
    ring = first_ring(steps[0].field, work.case.goal.limits[0])
    last = steps[-1].state
    assert last is not None
    return Session(level_of(work, last) or work, tuple(steps), ring, minutes)


def _read_field(path: Path) -> SampledField:
    data = load_arrays(read_back(path), ("x_mm", "y_mm", "d_mm"))
    return SampledField(data["x_mm"], data["y_mm"], data["d_mm"], np.isfinite(data["d_mm"]))


def finish(folder: Path, session: Session, strategy: str, outcome: str,
           extra: Mapping[str, Any]) -> None:
    """Write run.json: the run has ended."""
    case = session.work.case
    write_json(folder / "run.json", {
        "format": FORMAT_VERSION, "kind": "run", "simkit": __version__, "title": case.title,
        "about": case.about, "strategy": strategy, "outcome": outcome,
        "goal": case.goal.model_dump(mode="json"), "steps": session.now.row.step, **extra})
