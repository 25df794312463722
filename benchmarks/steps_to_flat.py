"""Steps and minutes to flat: every strategy on every dent of cases/set, one row each.

    python benchmarks/steps_to_flat.py [--strategies NAMES] [--dents NAMES] [--to fine] [--hand]
        [--most-s 600]

Rows go to benchmarks/results/steps_to_flat.csv (or --table) as they are done, and what is there
already is not done again, so that the table can be stopped and gone on with at any time. With
--to fine a repair stops when it is fine; the same without it goes on from there. A repair that
takes more than --most-s of processor time is given up; its row says so, unless it was fine before.
The strategy "planner by minutes" is the planner with the fewest minutes as its objective.
Touches are counted beside the steps: a pass is one step of several touches.
"""

from __future__ import annotations

import argparse
import csv
import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from simkit.case import load_case
from simkit.errors import InputError
from simkit.files import write_table
from simkit.record.read import read_run
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import meets
from simkit.strategy import Strategy, find_strategy, strategy_names
from simkit.study.run import Start, prepare, run_strategy

HERE = Path(__file__).parent
SET = HERE.parent / "cases" / "set"
TABLE = HERE / "results" / "steps_to_flat.csv"
COLUMNS = ("dent", "strategy", "hand", "steps_roughed", "steps_fine", "steps_finished",
           "minutes_fine", "minutes_finished", "steps", "touches", "slope_mrad", "cpu_s",
           "outcome")
HAND = {"place_mm": 2.0, "height_pct": 10.0, "height_mm": 0.01}
"""Scatter of a hand, where it is on: a guess, no source."""
STOPPED = "stopped when fine"
BY_MINUTES = " by minutes"
"""After the planner's name: with the fewest minutes as its objective."""


class GivenUp(Exception):
    """A repair has taken too long."""


class Until:
    """A strategy that stops at a stage."""

    def __init__(self, inner: Strategy, stage: str) -> None:
        self.inner, self.stage, self.name = inner, stage, inner.name

    def __getattr__(self, name: str) -> Any:
        """What else the strategy says: why, what the kit lacks."""
        return getattr(self.inner, name)

    def next(self, session: Session) -> Operation | None:
        """As the strategy does until the stage is met."""
        if meets(session.work.case.goal, self.stage, session.now.row):
            return None
        return self.inner.next(session)


def rows_so_far(table: Path) -> dict[tuple[str, str, str], dict[str, str]]:
    """Rows of the table as it stands."""
    if not table.exists():
        return {}
    with open(table, newline="", encoding="utf-8") as file:
        return {(row["dent"], row["strategy"], row["hand"]): row for row in csv.DictReader(file)}


def keep(row: dict[str, str], table: Path) -> None:
    """Put a row in the table."""
    rows = rows_so_far(table)
    rows[row["dent"], row["strategy"], row["hand"]] = row
    order = {name: k for k, name in enumerate(strategy_names())}
    write_table(table, COLUMNS, sorted(
        rows.values(), key=lambda r: (r["hand"], r["dent"], order.get(r["strategy"], 99))))


def repaired(start: Start, name: str, folder: Path, to: str, earlier_s: float) -> dict[str, str]:
    """One repair; the part of its row that does not name it."""
    strategy = find_strategy(name.removesuffix(BY_MINUTES), start.work.case)
    if name.endswith(BY_MINUTES):
        vars(strategy)["objective"] = "minutes"
    if "say" in vars(strategy):
        vars(strategy)["say"] = lambda text: print("   ", text, flush=True)
    begin = time.process_time()
    row = run_strategy(start, Until(strategy, to) if to else strategy, folder,
                       lambda text: print("   ", text, flush=True))
    spent = time.process_time() - begin + earlier_s
    fine = bool(to) and bool(row[f"steps_{to}"])
    touches = sum(step.number_of("touches") for step in read_run(folder).steps[1:])
    found = {key: row[key] for key in COLUMNS if key in row and key != "strategy"}
    return {**found, "cpu_s": f"{spent:.1f}", "touches": f"{touches:.0f}",
            "outcome": STOPPED if fine and row["flat"] != "yes" else row["outcome"]}


@contextmanager
def at_most(seconds: float) -> Iterator[None]:
    """GivenUp after so many seconds of processor time."""
    def give_up(*_: object) -> None:
        raise GivenUp

    signal.signal(signal.SIGPROF, give_up)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)


def open_jobs(args: argparse.Namespace) -> Iterator[tuple[str, str, float]]:
    """Dents and strategies not yet in the table as far as asked; seconds spent on them before."""
    rows = rows_so_far(args.table)
    for name in args.strategies.split(","):
        for dent in args.dents.split(","):
            row = rows.get((dent, name, "yes" if args.hand else "no"))
            if row is None:
                yield dent, name, 0.0
            elif row["outcome"] == STOPPED and not args.to:
                yield dent, name, float(row["cpu_s"])


def main() -> None:
    """Do what is asked and not done."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--strategies", default=",".join(reversed(strategy_names())))
    parser.add_argument("--dents", default=",".join(sorted(
        folder.name for folder in SET.iterdir() if (folder / "case.yaml").exists())))
    parser.add_argument("--to", default="", choices=("", "roughed", "fine"))
    parser.add_argument("--hand", action="store_true")
    parser.add_argument("--most-s", type=float, default=3600.0)
    parser.add_argument("--folder", type=Path, default=Path("runs") / "steps-to-flat")
    parser.add_argument("--table", type=Path, default=TABLE)
    args = parser.parse_args()
    hand = "yes" if args.hand else "no"
    for dent, name, earlier_s in list(open_jobs(args)):
        case = load_case(SET / dent)
        start = prepare(case, args.folder / "starts" / dent, 1, lambda text: None)
        if args.hand:
            shaky = case.model_copy(update={"hand": case.hand.model_copy(update=HAND)})
            work = replace(start.work, case=shaky.opened_from(case.file))
            start = replace(start, work=work, session=replace(start.session, work=work))
        print(dent, name, start.sentence, flush=True)
        try:
            with at_most(args.most_s):
                row = repaired(start, name, args.folder / hand / dent / name, args.to, earlier_s)
        except GivenUp:
            if earlier_s:
                print("   given up beyond fine; the row stays", flush=True)
                continue
            row = {"cpu_s": f"{args.most_s:.1f}",
                   "outcome": f"given up after {args.most_s:g} s of processor time"}
        except InputError as error:
            row = {"outcome": f"ended: {error.what}"}
        keep({"dent": dent, "strategy": name, "hand": hand, **row}, args.table)


if __name__ == "__main__":
    main()
