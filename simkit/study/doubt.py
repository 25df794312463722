"""The uncertainty of a repair's outcome: the repair done again on every plausible history of its
dent."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from simkit.errors import InputError
from simkit.files import write_table
from simkit.history.calibrated import kind_of, rooms
from simkit.history.plausible import band
from simkit.history.strike import Blow
from simkit.mechanics.outcome import Outcome
from simkit.record.write import load_state, record_step, resume, save_state
from simkit.repair.session import Session, open_session
from simkit.repair.steprow import StepRow
from simkit.study.attempt import redone
from simkit.study.realised import realised
from simkit.study.run import Start

Progress = Callable[[str], None]
SEEN = ("released_mm", "max_low_mm", "max_high_mm", "crown_mm", "low_rise_mm")
"""Results of a step that get a band: the deviation at the tool's place, the largest low and high
left, the crown, and the rise of the first low."""
COLUMNS = ("step", "operation", "x_mm", "y_mm", "springs",
           *(f"{name}{end}" for name in SEEN for end in ("", "_from", "_to")))


def doubt(start: Start, folder: Path, progress: Progress, workers: int = 1
          ) -> tuple[Path, str] | None:
    """Repeat a recorded repair on the other plausible histories and write ``band.csv``.

    Every history has a record of its own below the folder ``doubt``, so that interrupted work can
    be continued. Returns the table and a sentence; None if there is no other plausible history.
    """
    members = list(opened_members(start, folder, progress, workers))
    runs = [[step.row for step in session.steps] for _, _, session in members]
    weights = [weight for _, weight, _ in members]
    if len(runs) < 2:
        return None
    room = rooms_mm(runs, weights)
    table = [_line(k, runs, weights, room[k]) for k in range(len(runs[0]))]
    write_table(folder / "band.csv", COLUMNS, table)
    last = table[-1]
    sprung = [str(row[0].step) for row in zip(*runs, strict=True) if 0 < springs(row) < len(row)]
    may = f"; step {', '.join(sprung)} may spring" if sprung else ""
    return folder / "band.csv", (
        f"{len(runs)} histories explain the dent equally well; they leave a low of "
        f"{float(last['max_low_mm_from']):+.2f} to {float(last['max_low_mm_to']):+.2f} mm and a "
        f"high of {float(last['max_high_mm_from']):+.2f} to "
        f"{float(last['max_high_mm_to']):+.2f} mm{may}")


def springs(rows: Sequence[StepRow]) -> int:
    """Number of histories in which a step springs: the sheet snapped, or the tool stopped because
    it would have snapped."""
    return sum(row.snapped or row.outcome == Outcome.WOULD_SNAP.value for row in rows)


def opened_members(start: Start, folder: Path, progress: Progress, workers: int = 1
                   ) -> Iterator[tuple[str, float, Session]]:
    """Description, posterior weight and session of every plausible history, with the recorded
    steps carried out on it.

    The run itself comes first. Histories that do not give the measured dent are left out. workers :
    number of processes that share the dents not yet on record.
    """
    recorded = resume(folder, start.work, None, progress)
    if recorded is None:
        raise InputError("the run's steps cannot be read", "run the case again", str(folder))
    members = start.notes.get("plausible", [])
    alone: Mapping[str, Any] = {"words": "the only history", "weight": 1.0}
    first = members[0] if members else alone
    yield str(first["words"]), float(first["weight"]), recorded
    rows = [step.row for step in recorded.steps]
    places = {k: folder / "doubt" / f"{k}" for k in range(1, len(members))}
    _dented(start, places, members, progress, workers)
    for k, member in enumerate(members[1:], start=1):
        place = places[k]
        session = _opened(start, place)
        if session is None:
            progress(f"history {k}: {member['words']}: does not give the measured dent")
            continue
        for row in rows[len(session.steps):]:
            session = redone(session, row)
            record_step(place, session)
        progress(f"history {k}: {member['words']}: left low {session.now.row.max_low_mm:+.2f}, "
                 f"high {session.now.row.max_high_mm:+.2f} mm")
        yield str(member["words"]), float(member["weight"]), session


def _dented(start: Start, places: Mapping[int, Path], members: Sequence[Mapping[str, Any]],
            progress: Progress, workers: int) -> None:
    """Put on record the panel dented by every other history that gives the measured dent."""
    files = {k: place / "states" / "0000.npz" for k, place in places.items()}
    new = [k for k, file in files.items() if load_state(file, start.work) is None]
    jobs = [(start.work, tuple(Blow(**blow) for blow in members[k]["blows"])) for k in new]
    for number, made in realised(jobs, progress, workers):
        if made is not None and made.matched:
            save_state(files[new[number]], made.state)


def _opened(start: Start, folder: Path) -> Session | None:
    """A repair with its recorded steps, or its dent alone; None if it is not on record."""
    session = resume(folder, start.work, None)
    if session is not None:
        return session
    state = load_state(folder / "states" / "0000.npz", start.work)
    if state is None:
        return None
    session = open_session(start.work, state)
    record_step(folder, session)
    return session


def rooms_mm(runs: list[list[StepRow]], weights: list[float]) -> list[dict[str, float]]:
    """Margins by which bands are wider than the range of the histories, for every step and
    result, mm.

    The margin of one step is the weighted mean over the histories of its absolute change times the
    share calibrated on blind dents for this kind of result. Margins of successive steps are added,
    not combined as a root sum of squares, since the causes of one step's error act on the next too.
    """
    shares = np.array(weights) / np.sum(weights)
    found = [dict.fromkeys(SEEN, 0.0)]
    for k in range(1, len(runs[0])):
        row, told = runs[0][k], {}
        for name in SEEN:
            at_tool = name == "released_mm"
            change = [abs(getattr(run[k], name) - (
                run[k].before_mm if at_tool else getattr(run[k - 1], name))) for run in runs]
            share = rooms()[kind_of(row.operation, at_tool)].room_share
            earlier = 0.0 if at_tool else found[-1][name]
            told[name] = earlier + max(share, 0.0) * float(np.nan_to_num(change) @ shares)
        found.append(told)
    return found


def _line(k: int, runs: list[list[StepRow]], weights: list[float], room: Mapping[str, float]
          ) -> dict[str, str]:
    """Row of one step: the value of the recorded run and the ends of its band."""
    row = runs[0][k]
    line = {"step": str(row.step), "operation": row.operation, "x_mm": f"{row.x_mm:g}",
            "y_mm": f"{row.y_mm:g}",
            "springs": f"{springs([run[k] for run in runs])} of {len(runs)}"}
    for name in SEEN:
        values = [getattr(run[k], name) for run in runs]
        seen = band(values, weights, 0.0)
        low, high = min(seen.low_mm, values[0]), max(seen.high_mm, values[0])
        line |= {name: f"{values[0]:.6g}", f"{name}_from": f"{low - room[name]:.6g}",
                 f"{name}_to": f"{high + room[name]:.6g}"}
    return line
