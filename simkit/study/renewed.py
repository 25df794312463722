"""The plan renewed after readings: the repair goes on from the history that is now most probable.

The renewed repair is a run of its own. Its dent is that history, its first steps are those that
were really done, and the weights of its histories are those after the readings, so that further
readings continue from them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from simkit.errors import InputError
from simkit.files import write_json
from simkit.record.write import identity, open_folder, record_step, resume, save_state
from simkit.repair.session import Session, open_session
from simkit.strategy import Strategy
from simkit.study.attempt import redone
from simkit.study.learn import History
from simkit.study.run import Start, run_strategy

Progress = Callable[[str], None]


def renew(start: Start, histories: Sequence[History], step: int, strategy: Strategy, folder: Path,
          progress: Progress) -> tuple[Start, dict[str, str]]:
    """Carry the most probable history through the steps done and let a strategy go on from there.

    Parameters
    ----------
    start : of the run that was read. histories : with their weights after the readings.
    step : last step that was really done. folder : of the renewed run; interrupted work goes on.

    Returns the start of the renewed run, with the weights after the readings, and its summary row.

    Raises
    ------
    InputError : the folder holds another run, or the plan after other readings.
    """
    best = max(histories, key=lambda one: one.weight)
    notes = learned_notes(start.notes, histories)
    weights = {one.words: round(one.weight, 6) for one in histories}
    after = replace(start, notes=notes, beside={"after": {"step": step, "weights": weights}})
    what = {**identity(start.work.case), "strategy": strategy.name, **after.beside}
    held = open_folder(folder, what)
    after = replace(after, session=at_dent(start, best))
    done = resume(folder, start.work, None, progress) if held else None
    if done is None or done.now.row.step < step:
        save_state(folder / "states" / "0000.npz", after.session.state)
        write_json(folder / "reconstruction.json", notes)
        for one in carried(after.session, best, step, progress):
            record_step(folder, one)
    return after, run_strategy(after, strategy, folder, progress)


def at_dent(start: Start, history: History) -> Session:
    """A history's panel before any step.

    Raises
    ------
    InputError : the dent's state was not kept.
    """
    dent = history.session.steps[0].state
    if dent is None:
        raise InputError("the dent of a history cannot be read", "run the case again")
    return open_session(start.work, dent, matched=start.matched)


def carried(session: Session, history: History, step: int, progress: Progress
            ) -> Iterator[Session]:
    """The panel at a history's dent and after each of its steps done, computed again."""
    yield session
    for row in (one.row for one in history.session.steps[1 : step + 1]):
        progress(f"step {row.step}, done already: {row.deed} at ({row.x_mm:.0f}, {row.y_mm:.0f})")
        session = redone(session, row)
        yield session


def learned_notes(notes: Mapping[str, Any], histories: Sequence[History]) -> dict[str, Any]:
    """Notes of a reconstruction with the weights of its histories after readings: the most probable
    one first, the others in their order; those that do not give the measured dent are left out."""
    weight = {one.words: one.weight for one in histories}
    kept = [{**one, "weight": weight[one["words"]]} for one in notes.get("plausible", [])
            if one["words"] in weight]
    best = max(kept, key=lambda one: one["weight"])
    return {**notes, "strikes": best["blows"],
            "plausible": [best, *(one for one in kept if one is not best)]}
