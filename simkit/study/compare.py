"""Several strategies on the same dent, each in a process of its own."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from simkit.case import Case
from simkit.errors import InputError
from simkit.files import write_json, write_table
from simkit.folders import announce
from simkit.record.write import identity, open_folder
from simkit.strategy import find_strategy
from simkit.study.run import SUMMARY, Start, prepare, run_strategy
from simkit.study.runner import done_line
from simkit.study.workers import can_start, each, hand_on
from simkit.underway import Word, counted, heard, lined, listening, sender, tell

Progress = Callable[[str], None]


def compare(case: Case, names: tuple[str, ...], folder: Path, progress: Progress,
            workers: int, accept: bool = False) -> list[dict[str, str]]:
    """Run every strategy and write compare.csv; returns its rows in the order of ``names``.

    ``accept``: repair the reconstructed dent even if it does not match the measured one.

    Continues an interrupted comparison of the same case in the same folder.
    """
    open_folder(folder, {**identity(case), "strategies": list(names)})
    start = prepare(case, folder, workers, progress, accept, bulk=True)
    rows: dict[str, dict[str, str]] = {}
    begin = time.monotonic()
    counted(0, len(names), "strategies")
    for name, row in _each(case, names, folder, progress, workers, start):
        rows[name] = row
        counted(len(rows), len(names), "strategies")
        progress(done_line(name, row["outcome"], len(rows), len(names),
                           time.monotonic() - begin))
        done = [rows[n] for n in names if n in rows]
        write_table(folder / "compare.csv", SUMMARY, list(done))
    write_json(folder / "compare.json", {
        "format": 1, "kind": "comparison", "title": case.title, "about": case.about,
        "strategies": list(names), "goal": case.goal.model_dump(mode="json"),
        "reconstruction": dict(start.notes)})
    return [rows[name] for name in names]


def _each(case, names, folder, progress, workers, start: Start):
    if workers < 2 or len(names) < 2 or not can_start():
        for name in names:
            strategy = find_strategy(name, start.work.case)
            with lined(name):
                row = run_strategy(start, strategy, folder / "runs" / name, progress)
            yield name, row
        return
    what = identity(case)
    for name in names:  # in this process: a worker may write in its own folder only
        announce(folder / "runs" / name)
    listener = listening()

    def told(word: Word) -> None:
        if word.stays:
            progress(word.text)
        elif listener is not None:
            listener(word)

    yield from each(_job, {name: (case, what, name, str(folder), start.accepted)
                           for name in names}, workers, told)


def _job(case: Case, what: dict[str, Any], name: str, folder: str, accept: bool
         ) -> dict[str, str]:
    """One strategy in a process of its own, on the case as it was when the comparison started."""
    if identity(case) != what:
        raise InputError("a data file of the case was changed while the comparison was running",
                         "unchanged files until it has ended, or a new start with --fresh",
                         str(case.file))
    with heard(sender(hand_on)), lined(name):
        start = prepare(case, Path(folder), 1, lambda text: None, accept, bulk=True)
        return run_strategy(start, find_strategy(name, case), Path(folder) / "runs" / name,
                            lambda text: tell(Word(text, stays=True)))
