"""One repair from the dent to its end, recorded step by step."""

from __future__ import annotations

import copy
import csv
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from simkit.case import Case
from simkit.case.repair import STAGE_NAMES
from simkit.errors import InputError
from simkit.files import Damaged, load_json, read_back, write_json, write_table
from simkit.history.reconstruct import Reconstruction, reconstruct
from simkit.inspection.measured import field_on
from simkit.mechanics.outcome import Outcome
from simkit.record.write import (
    finish,
    forget_states,
    identity,
    load_state,
    open_folder,
    record_step,
    resume,
    save_measured,
    save_state,
)
from simkit.repair.held import places_held
from simkit.repair.levels import (
    FINER_MESH,
    bulk_is_out,
    bulk_level,
    level_of,
    may_go_finer,
    steps_taken,
    to_finer,
    with_beds,
)
from simkit.repair.operations import Operation
from simkit.repair.session import Session, open_session
from simkit.repair.stages import effort, stagnates, steps_of
from simkit.repair.steprow import StepRow
from simkit.repair.workpiece import Workpiece, make_workpiece
from simkit.strategy import Strategy
from simkit.strategy.planner.words import COLUMNS as PLAN_COLUMNS
from simkit.strategy.planner.words import plan_row
from simkit.study.hand import by_hand
from simkit.underway import counted, over

Progress = Callable[[str], None]
SEARCH_ELEMENT_FACTOR = 1.6
"""Element size of the mesh for the search of the blows, divided by that of the repair."""

FLAT, USED_UP, STUCK = "flat", "steps used up", "nothing helps any more"
TIME_UP = "minutes used up"
UNBALANCED, NO_MATCH = "did not converge", "depth field not matched"
SUMMARY = ("strategy", "flat", "matched", "rms_mm", "worst_mm", "stage", "steps", "tool_changes",
           "minutes", *(f"steps_{stage}" for stage in STAGE_NAMES),
           *(f"minutes_{stage}" for stage in STAGE_NAMES), "max_low_mm", "max_high_mm",
           "slope_mrad", "improvement_pct", "improvement_raw_pct", "stretch_mm2", "max_force_N",
           "max_plastic_strain", "max_face_strain", "crown_start_mm", "crown_end_mm",
           "max_energy_error_pct", "outcome")
"""Columns of compare.csv. ``matched``, ``rms_mm`` and ``worst_mm``: difference between step 0 and
the measurement, rms within the damage and largest. Steps and minutes to a stage are empty if the
stage was not reached."""


@dataclass(frozen=True)
class Start:
    """The reconstructed dent of a case: workpiece, session at step 0, and quality of the match.

    ``accepted``: repair the dent even if it does not match the measured one. ``beside``: what
    identifies a run beside its case and strategy.
    """

    work: Workpiece
    session: Session
    notes: Mapping[str, Any]
    sentence: str
    matched: bool
    accepted: bool = False
    beside: Mapping[str, Any] = field(default_factory=dict)


def prepare(case: Case, folder: Path, threads: int, progress: Progress,
            accept: bool = False, bulk: bool = False) -> Start:
    """Reconstruct the dent, or read it from the folder if it was reconstructed before.

    ``accept``: repair it even if it does not match the measured one. ``bulk``: on the larger
    elements for the bulk, if the case has them; else on its finest ones.
    """
    work = make_workpiece(case, threads=threads)
    work = bulk_level(work) if bulk else work
    for remark in work.remarks:
        progress(remark)
    notes_file, state_file = folder / "reconstruction.json", folder / "states" / "0000.npz"
    notes = _notes_of(notes_file, progress)
    state = load_state(state_file, work, progress) if notes else None
    if notes is not None and state is not None:
        progress("Dent read back from the folder. " + notes["sentence"])
    else:
        larger = 1.0 if work.finer is None else (case.mesh.bulk_mm or 0.0) / case.mesh.fine_mm
        fit = make_workpiece(case, threads=threads, coarser=SEARCH_ELEMENT_FACTOR * larger)
        done = reconstruct(work, fit, progress, folder / "trials")
        state, notes = done.state, _notes(done)
        save_state(state_file, state)
        write_json(notes_file, notes)
        progress(notes["sentence"])
    # a dent that was read back may be on the finer mesh already
    work, matched = with_beds(level_of(work, state) or work, state), bool(notes["matched"])
    return Start(work, open_session(work, state, matched=matched), notes, notes["sentence"],
                 matched, accept)


def _notes_of(file: Path, say: Progress) -> dict[str, Any] | None:
    """Stored notes of a reconstruction; None if there are none or, with a message, if they are
    damaged."""
    try:
        notes = load_json(read_back(file))
        return {**notes, "sentence": str(notes["sentence"]), "matched": bool(notes["matched"])}
    except FileNotFoundError:
        return None
    except (OSError, Damaged, KeyError, TypeError) as fault:
        say(f"{file}: {fault}; computed again")
        return None


def _notes(done: Reconstruction) -> dict[str, Any]:
    notes: dict[str, Any] = {
        "method": done.method, "rms_mm": done.rms_mm, "worst_mm": done.worst_mm,
        "matched": done.matched, "rounds": done.rounds, "sentence": done.sentence()}
    if done.match is not None:
        notes["match"] = done.match.notes()
    if done.blows:
        notes["strikes"] = [asdict(blow) for blow in done.blows]
        notes |= {"rms_alone_mm": done.strike_rms_mm, "histories_tried": done.tried}
        notes["plausible"] = [
            {"weight": p.weight, "rms_mm": p.trial.rms_mm, "words": p.trial.words(),
             "blows": [asdict(blow) for blow in p.trial.blows]} for p in done.plausible]
    return notes


def run_strategy(start: Start, strategy: Strategy, folder: Path, progress: Progress,
                 alive: Callable[[], bool] = lambda: True) -> dict[str, str]:
    """Repair by a strategy, recording every step; returns the row of the summary.

    Continues an interrupted run of the same case in the same folder. ``alive`` is called before
    every record; if it returns False, the run stops without writing. A repair on larger elements
    goes on on the finer ones when the bulk is out, or when nothing helps any more on the larger.
    """
    what = {**identity(start.work.case), "strategy": strategy.name, **start.beside}
    session = resume(folder, start.work, None, progress) if open_folder(folder, what) else None
    session = None if session is None else replace(session, matched=start.matched)
    if session is None:
        session = start.session
        (folder / "run.json").unlink(missing_ok=True)
        if start.work.depth is not None:
            save_measured(folder, field_on(start.work.depth, session.now.field))
        record_step(folder, session)
    else:
        forget_states(folder, session)
    if "say" in vars(strategy):
        vars(strategy)["say"] = lambda text: progress(f"{strategy.name} {text}")
    # what a strategy learns on one mesh does not hold on another
    unused = strategy if session.work.finer is None else copy.deepcopy(strategy)
    most = start.work.case.limits.steps
    if session.now.row.step:
        progress(f"{strategy.name}: continues after step {session.now.row.step}")
    while True:
        counted(steps_taken(session), most, "steps", most=True)
        outcome = ending(session) if start.matched or start.accepted else NO_MATCH
        finer = may_go_finer(session) and outcome != NO_MATCH
        operation = None
        if outcome is None and not (finer and bulk_is_out(session)):
            operation = strategy.next(session)
        if operation is None and finer:
            session, strategy = to_finer(session), unused
            _record(folder, session, alive)
            progress(f"{strategy.name} {session.now.row.step:>2}: {FINER_MESH}: "
                     f"{session.now.row.reason}")
            continue
        if operation is None:
            outcome = outcome or STUCK
            if not session.state.standing:
                break
            # a repair ends on the free panel: let the held tools down before the end
            operation = Operation("let-down", "", *places_held(session.state)[0])
        before, session = session, carried_out(session, operation)
        _record(folder, session, alive)
        record_decision(folder, before, strategy)
        progress(step_line(strategy.name, session.now.row))
    over()
    lack: str = vars(strategy).get("lack", "")
    if outcome == STUCK and lack:
        progress(f"{strategy.name} stops: {lack}")
    row = summary(session, strategy.name, outcome, start.notes)
    finish(folder, session, strategy.name, outcome,
           {"summary": row, "reconstruction": start.notes})
    return row


def _record(folder: Path, session: Session, alive: Callable[[], bool]) -> None:
    if not alive():
        raise KeyboardInterrupt
    record_step(folder, session)


def carried_out(session: Session, operation: Operation) -> Session:
    """The step with the errors of the hand; without them if they put the tool off the panel."""
    done = by_hand(session, operation)
    try:
        return session.apply(done)
    except InputError:
        if done == operation:
            raise
        return session.apply(operation)


def record_decision(folder: Path, before: Session, strategy: Strategy) -> None:
    """Write the reasons for a step as a row of plan.csv, if the strategy gives them."""
    decision = getattr(strategy, "decision", None)
    if decision is None or decision.step != before.now.row.step + 1:
        return
    file = folder / "plan.csv"
    rows = []
    if file.exists():
        with open(file, newline="", encoding="utf-8") as stream:
            rows = [row for row in csv.DictReader(stream) if int(row["step"]) < decision.step]
    write_table(file, PLAN_COLUMNS, [*rows, plan_row(decision)])


def ending(session: Session) -> str | None:
    """The outcome of a repair that has ended; None while it continues.

    A simulated panel within the goal that does not match the measured one does not count as flat.
    """
    row, limits = session.now.row, session.work.case.limits
    if row.flat:
        return FLAT
    if not session.matched and not session.spots():
        return NO_MATCH
    done = session.steps[1:]
    failed = [not Outcome(s.row.outcome).valid for s in done[-3:]]
    if len(failed) == 3 and all(failed):
        return UNBALANCED
    if steps_taken(session) >= limits.steps:
        return USED_UP
    if limits.minutes is not None and sum(s.row.minutes for s in done) >= limits.minutes:
        return TIME_UP
    return STUCK if stagnates(session.work.case.goal, [s.row for s in session.steps]) else None


def summary(session: Session, name: str, outcome: str,
            notes: Mapping[str, Any] | None = None) -> dict[str, str]:
    """Row of compare.csv; ``notes`` of the reconstruction, None if there are none."""
    known = notes or {}
    rows = [step.row for step in session.steps]
    last, done = rows[-1], rows[1:]
    values: dict[str, Any] = {
        "strategy": name, "flat": "yes" if outcome == FLAT else "no",
        "matched": "yes" if session.matched else "no", "rms_mm": float(known.get("rms_mm", np.nan)),
        "worst_mm": float(known.get("worst_mm", np.nan)), "stage": last.stage,
        "steps": steps_of(rows),
        "tool_changes": sum(row.tool_change for row in done),
        "minutes": round(sum(row.minutes for row in done), 3),
        "max_low_mm": last.max_low_mm, "max_high_mm": last.max_high_mm,
        **_effort(session),
        "slope_mrad": last.slope_mrad, "improvement_pct": last.improvement_pct,
        "improvement_raw_pct": last.improvement_raw_pct,
        "stretch_mm2": last.stretch_mm2,
        "max_force_N": max((row.force_N for row in done), default=0.0),
        "max_plastic_strain": last.max_plastic_strain, "max_face_strain": last.max_face_strain,
        "crown_start_mm": rows[0].crown_mm, "crown_end_mm": last.crown_mm,
        "max_energy_error_pct": max((abs(r.energy_error_pct) for r in done
                                     if np.isfinite(r.energy_error_pct)), default=0.0),
        "outcome": outcome}
    return {key: _cell(value) for key, value in values.items()}


def _effort(session: Session) -> dict[str, Any]:
    reached = effort(session.work.case.goal, [step.row for step in session.steps])
    return {f"{word}_{stage}": "" if spent is None else round(spent[k], 3)
            for stage, spent in reached.items() for k, word in enumerate(("steps", "minutes"))}


def _cell(value: Any) -> str:
    if isinstance(value, float):
        return "" if np.isnan(value) else f"{value:.6g}"
    return str(value)


def step_line(name: str, row: StepRow) -> str:
    """One line of progress."""
    return (f"{name} {row.step:>2}: {row.deed} at ({row.x_mm:.0f}, {row.y_mm:.0f})"
            f" {row.before_mm:+.2f} -> {row.released_mm:+.2f} mm, {row.force_N:.0f} N, "
            f"{row.outcome}; left: low {row.max_low_mm:+.2f}, high {row.max_high_mm:+.2f} mm, "
            f"{row.slope_mrad:.1f} mrad")
