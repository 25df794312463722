"""Several strategies on the same dent, side by side in processes of their own."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from simkit.case import Case, load_case
from simkit.files import write_json, write_table
from simkit.record.write import identity, open_folder
from simkit.strategy import find_strategy
from simkit.study.run import SUMMARY, Start, prepare, run_strategy

Progress = Callable[[str], None]


def compare(case: Case, names: tuple[str, ...], folder: Path, progress: Progress,
            workers: int, quiet: bool = False) -> list[dict[str, str]]:
    """Run every strategy and write compare.csv; returns its rows in the order of ``names``.

    ``quiet``: processes of their own tell their progress to standard error.

    Goes on where an interrupted comparison of the same case in the same folder stopped.
    """
    open_folder(folder, {**identity(case), "strategies": list(names)})
    start = prepare(case, folder, workers, progress)
    rows: dict[str, dict[str, str]] = {}
    for name, row in _each(case, names, folder, progress, workers, start, quiet):
        rows[name] = row
        done = [rows[n] for n in names if n in rows]
        write_table(folder / "compare.csv", SUMMARY, list(done))
    write_json(folder / "compare.json", {
        "format": 1, "kind": "comparison", "title": case.title, "about": case.about,
        "strategies": list(names), "goal": case.goal.model_dump(mode="json"),
        "reconstruction": dict(start.notes)})
    return [rows[name] for name in names]


def _each(case, names, folder, progress, workers, start: Start, quiet: bool):
    if workers < 2 or len(names) < 2:
        for name in names:
            yield name, run_strategy(start, find_strategy(name), folder / "runs" / name, progress)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(workers, len(names)), context,
                             initializer=_tell_to, initargs=(os.getpid(),)) as pool:
        jobs = {pool.submit(_job, str(case.file), name, str(folder), quiet): name for name in names}
        for job in as_completed(jobs):
            yield jobs[job], job.result()


_parent = 0


def _tell_to(parent: int) -> None:
    """Remember the process that started this one: work for one that was killed is not recorded."""
    global _parent
    _parent = parent


def _job(case_file: str, name: str, folder: str, quiet: bool) -> dict[str, str]:
    case = load_case(case_file)
    start = prepare(case, Path(folder), 1, lambda text: None)
    return run_strategy(start, find_strategy(name), Path(folder) / "runs" / name,
                        lambda text: print(text, flush=True,
                                           file=sys.stderr if quiet else sys.stdout),
                        alive=lambda: os.getppid() == _parent)
