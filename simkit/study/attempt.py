"""Single operations that the user names, tried on a case's dent or on any step of one of its
runs."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from simkit.case import Case
from simkit.errors import InputError
from simkit.files import Damaged, load_json, read_back
from simkit.folders import MARK, mark, remove_own
from simkit.record.write import (
    LARGEST_DESCRIPTION,
    finish,
    identity,
    open_folder,
    record_step,
    resume,
)
from simkit.repair.levels import (
    FINER_MESH,
    bulk_level,
    level_of,
    may_go_finer,
    to_finer,
    with_beds,
)
from simkit.repair.operations import Operation
from simkit.repair.session import Session, open_session
from simkit.repair.spoken import read_operation, say_operation
from simkit.repair.steprow import StepRow
from simkit.repair.workpiece import make_workpiece
from simkit.study.run import FLAT, prepare, summary

Progress = Callable[[str], None]
BY_HAND, AS_TRIED = "by hand", "as tried"


def dent_of(case: Case, folder: Path, threads: int, progress: Progress) -> Session:
    """A session at the case's dent; the folder keeps the reconstruction for the next time."""
    open_folder(folder, identity(case))
    return prepare(case, folder, threads, progress).session


def step_of(case: Case, run: Path, step: int | None, threads: int, progress: Progress) -> Session:
    """A session at a step of a run of this case (None: the last), which counts as step 0.

    Only the states of the dent and of the last step are stored. For a step between them the
    recorded operations are computed again from the dent, which gives the same panel.

    Raises
    ------
    InputError : no run, a run of another case, or no such step.
    """
    same_case(case, run)
    work = bulk_level(make_workpiece(case, threads=threads))
    session = resume(run, work, None)
    if session is None:
        raise InputError("the run's states cannot be read", "run the case again", str(run))
    dent = session.steps[0].state
    assert dent is not None
    # a try begins on the finer mesh, a run on the larger elements
    work = with_beds(level_of(work, dent) or work, dent)
    last = session.now.row.step
    number = last if step is None else step
    if not 0 <= number <= last:
        raise InputError(f"step {number} is not in this run", f"0 to {last}", str(run))
    if number not in (0, last):
        rows = [done.row for done in session.steps[1 : number + 1]]
        if any(row.operation in ("hold", "let-down") for row in rows):
            raise InputError(f"step {number} follows a step with a held tool, which cannot be "
                             "computed again", f"step 0 or {last}, whose states are stored",
                             str(run))
        session = replace(session.branch(0), work=work)
        for row in rows:
            progress(f"computing again step {row.step} of {number}: {row.deed}")
            session = redone(session, row)
    else:
        session = session.branch(number)
        session = replace(session, work=level_of(work, session.state) or work)
    session = to_finer(session) if may_go_finer(session) else session
    return open_session(session.work, session.state, matched=_matched(run))


def attempt(start: Session, operations: Sequence[Operation], folder: Path, said: dict[str, Any],
            progress: Progress) -> Session:
    """Carry the operations out one after the other, record them as a run and return its session."""
    case = start.work.case
    words = [say_operation(operation) for operation in operations]
    open_folder(folder, {**identity(case), "strategy": BY_HAND, "tried": words, **said})
    session = start
    record_step(folder, session)
    try:
        for operation in operations:
            session = session.apply(operation)
            record_step(folder, session)
            progress(line_of(session.now.row))
    except InputError:  # an operation that is refused leaves no folder of a try behind
        if not remove_own(mark(folder)):
            (folder / MARK).unlink()
            folder.rmdir()
        raise
    outcome = FLAT if session.now.row.flat else AS_TRIED
    finish(folder, session, BY_HAND, outcome, {"summary": summary(session, BY_HAND, outcome)})
    return session


def next_folder(folder: Path) -> Path:
    """Folder of the next try: 01, 02, ... below ``folder``."""
    taken = [int(p.name) for p in folder.glob("[0-9][0-9]") if p.is_dir()]
    return folder / f"{max(taken, default=0) + 1:02d}"


def line_of(row: StepRow) -> str:
    """What one operation did, in one line."""
    wanted = "" if np.isnan(row.goal_mm) else f" (wanted {row.goal_mm:+.2f})"
    held = f" with {row.held_N:.0f} N held" if row.held_N else ""
    return (f"{row.step:>2}: {row.deed} at ({row.x_mm:.0f}, {row.y_mm:.0f}): "
            f"{row.before_mm:+.2f} -> {row.released_mm:+.2f} mm{held}{wanted}, "
            f"{row.force_N:.0f} N, {row.outcome}; panel: low {row.max_low_mm:+.2f}, high "
            f"{row.max_high_mm:+.2f} mm, {_better(row.improvement_pct)}")


def _better(percent: float) -> str:
    return f"{percent:.0f} % better" if percent >= 0.0 else f"{-percent:.0f} % worse"


def redone(session: Session, row: StepRow) -> Session:
    """The step of a row once more."""
    return to_finer(session) if row.operation == FINER_MESH else session.apply(asked(row))


def asked(row: StepRow) -> Operation:
    """The operation that a row records."""
    if row.said:
        return read_operation(row.said)
    return Operation(row.operation, row.tool, row.x_mm, row.y_mm, row.goal_mm, row.angle_deg)


def _matched(run: Path) -> bool:
    """Whether the run's dent matched the measured one; True for a run that has not ended, whose
    run.json does not exist yet."""
    try:
        notes = json.loads((run / "run.json").read_text("utf-8"))["reconstruction"]
        return bool(notes["matched"])
    except (OSError, ValueError, KeyError, TypeError):
        return True


def same_case(case: Case, run: Path) -> None:
    """Raise InputError unless the run is of this case as it is now."""
    stored, here = _stored(run), json.loads(json.dumps(identity(case)))
    if stored.get("set", {}) != here.get("set", {}):
        keys = " ".join(f"--set {key}={value}" for key, value in set_of(run).items())
        raise InputError("this run was made with other keys set beside the case",
                         f"the same: {keys}" if keys else "the case without --set", str(run))
    if any(stored.get(key) != here[key] for key in here):
        raise InputError("this run is of another case, or the case was changed after it",
                         "the case file as it was then, or a new run", str(run))


def set_of(run: Path) -> dict[str, Any]:
    """Keys of a run that were set by --set, not in the case file; InputError if there is no run."""
    found = _stored(run).get("set", {})
    return found if isinstance(found, dict) else {}


def _stored(run: Path) -> dict[str, Any]:
    mark = run / "case.json"
    try:
        stored = load_json(read_back(mark, LARGEST_DESCRIPTION))
    except (OSError, Damaged) as error:
        raise InputError("not a run folder, or a damaged one", "a folder written by simkit run",
                         str(mark)) from error
    return stored if isinstance(stored, dict) else {}
