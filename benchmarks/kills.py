"""Kills at random moments: python benchmarks/kills.py [--times 20] [--seed 0] [--store]

Runs, comparisons and studies of a small case are killed (SIGKILL) at random moments, some by
killing a worker; then the command is given again, until it ends by itself. Every table must be
byte-equal to that of a run nobody disturbed, no file may be left that it does not have, and no
worker may outlive its parent. Exit code 1 where one of these is not so.

`--store` keeps every outcome in benchmarks/results/kills.csv as it is done; an interrupted call
goes on there.
"""

from __future__ import annotations

import argparse
import csv
import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
RESULTS = ROOT / "benchmarks" / "results" / "kills.csv"
sys.path.insert(0, str(ROOT / "tests" / "hostile"))

from test_processes import (  # noqa: E402
    CASE,
    COMPARE,
    ENDED,
    RUN,
    children,
    names,
    simkit,
    start,
    tables,
    until,
)

from simkit.files import write_table  # noqa: E402

STUDY = ("study", "study.yaml", "--workers", "2", "--out", "out")
STUDY_FILE = """\
format: 1
title: Two strategies
about: Invented for the tests.
cases: [case]
strategies: [crown-first, worst-spot-first]
"""
COMMANDS = {"run": RUN, "compare": COMPARE, "study": STUDY}
COLUMNS = ("command", "number", "seed", "killed", "after_s", "of_s", "wrong")


def prepared(folder: Path) -> Path:
    """A folder with the case and the study."""
    (folder / "case").mkdir(parents=True)
    (folder / "case" / "case.yaml").write_text(CASE)
    (folder / "study.yaml").write_text(STUDY_FILE)
    return folder


def disturbed(folder: Path, argv: tuple[str, ...], rng: random.Random,
              longest: float) -> tuple[str, float, str]:
    """Kill once at a random moment and go on: what was killed, when, and what was wrong
    afterwards, empty for nothing."""
    after, killed = rng.uniform(0.0, longest), "command"
    process = start(folder, *argv)
    time.sleep(after)
    workers = children(folder)
    if workers and rng.random() < 0.4:
        killed = "worker"
        os.kill(rng.choice(sorted(workers)), signal.SIGKILL)
        process.wait(600)
    else:
        process.kill()
        process.wait(60)
    if not until(lambda: not children(folder), 60.0):
        return killed, after, "a worker outlived its parent"
    done = simkit(folder, *argv)
    return killed, after, ("" if done.returncode in ENDED
                           else f"exit code {done.returncode}: {done.stderr[:200]}")


def kept() -> list[dict[str, str]]:
    """Outcomes of an earlier or interrupted call."""
    if not RESULTS.exists():
        return []
    with open(RESULTS, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def main() -> int:
    """Disturb as often as wanted and say what came of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=20, help="of each command")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--commands", default=",".join(COMMANDS), help="names with commas between")
    parser.add_argument("--store", action="store_true", help="keep in benchmarks/results")
    options = parser.parse_args()
    rows = kept() if options.store else []
    done = {(row["command"], row["number"], row["seed"]) for row in rows}
    with tempfile.TemporaryDirectory() as place:
        root = Path(place).resolve()
        for name in options.commands.split(","):
            argv, whole = COMMANDS[name], root / f"whole-{name}"
            left = [number for number in range(options.times)
                    if (name, str(number), str(options.seed)) not in done]
            if not left:
                continue
            begin = time.monotonic()
            simkit(prepared(whole), *argv)
            longest = time.monotonic() - begin
            for number in left:
                rng = random.Random(f"{options.seed}-{name}-{number}")
                here = prepared(root / f"{name}-{number}")
                killed, after, wrong = disturbed(here, argv, rng, longest)
                if not wrong and tables(here / "out") != tables(whole / "out"):
                    wrong = "tables differ"
                if not wrong and names(here / "out") != names(whole / "out"):
                    wrong = f"left over: {names(here / 'out') ^ names(whole / 'out')}"
                rows.append({"command": name, "number": str(number), "seed": str(options.seed),
                             "killed": killed, "after_s": f"{after:.1f}", "of_s": f"{longest:.1f}",
                             "wrong": wrong})
                print(f"{name} {number}: {killed} killed after {after:.1f} s: "
                      f"{wrong or 'same tables, nothing left'}", flush=True)
                if options.store:
                    write_table(RESULTS, COLUMNS, rows)
    wrong_ones = sum(bool(row["wrong"]) for row in rows)
    print(f"{len(rows)} kills, {wrong_ones} with something wrong")
    return 1 if wrong_ones else 0


if __name__ == "__main__":
    sys.exit(main())
