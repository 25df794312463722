"""Time the comparison of three strategies on the first demo dent, end to end.

Run: python benchmarks/three_strategies.py [--case cases/first-dent] [--workers N]
     [--json] [--store]

The command of the README in a process of its own, whose kernels are compiled (a first run not
timed sees to that if `--warm` is given): imports, reading, reconstruction, three repairs in
processes side by side, tables and pictures. The answer is right when the command ends with exit
code 0, compare.csv holds the three strategies, all from the same dent, each balanced with its
energy within 1 % at every step and each better than the dent was.
"""

from __future__ import annotations

import argparse
import csv
import os
import tempfile
import time
from pathlib import Path

from common import ROOT, arguments, child, finish, say, shares_line
from reconstruction import FIRST_DENT, change

ENERGY_PCT = 1.0
UNBALANCED = "did not converge"


class Clock:
    """When the stages of the command ended, by what it says."""

    def __init__(self) -> None:
        self.start = time.perf_counter()
        self.matched = self.stepped = self.start

    def hear(self, line: str) -> None:
        """One line of the command's output."""
        say(line.rstrip())
        if line.startswith("Depth field matched"):
            self.matched = time.perf_counter()
        elif "; left: low" in line:
            self.stepped = time.perf_counter()

    def shares(self, wall_s: float) -> dict[str, float]:
        """Shares of the time: until the dent was known, repairs, tables and pictures."""
        until = (self.matched - self.start) / wall_s
        steps = (self.stepped - self.matched) / wall_s
        return {"start and reconstruction": until, "repairs": steps,
                "tables and pictures": 1.0 - until - steps}


def table_of(file: Path) -> list[dict[str, str]]:
    """Rows of a CSV file."""
    with open(file, newline="", encoding="utf-8") as text:
        return list(csv.DictReader(text))


def checked(folder: Path, code: int) -> dict:
    """What the folder of a comparison holds, and whether it holds together."""
    rows = table_of(folder / "compare.csv")
    steps = {row["strategy"]: table_of(folder / "runs" / row["strategy"] / "steps.csv")
             for row in rows}
    starts = {table[0]["max_low_mm"] for table in steps.values()}
    sound = all(row["outcome"] != UNBALANCED and float(row["max_energy_error_pct"]) <= ENERGY_PCT
                and float(row["improvement_pct"]) > 0.0 for row in rows)
    answer = {f"{row['strategy']}, {name}": float(row[name]) for row in rows
              for name in ("improvement_pct", "max_low_mm", "max_high_mm", "steps")}
    return {"rows": rows, "answer": answer,
            "iterations": sum(int(row["iterations"]) for table in steps.values()
                              for row in table),
            "answer_ok": code == 0 and len(rows) == 3 and len(starts) == 1 and sound}


def compare(case: Path, workers: int, package: Path = ROOT) -> dict:
    """Run the command once with the package in that folder."""
    env = {"PYTHONPATH": str(package)}
    with tempfile.TemporaryDirectory() as name:
        folder, clock = Path(name) / "out", Clock()
        run = child(["-m", "simkit", "compare", str(case), "--out", str(folder), "--workers",
                     str(workers)], env, package, quiet=False, heard=clock.hear)
        found = checked(folder, run.code)
    return {"median_s": run.wall_s, "cpu_s": run.cpu_s, "peak_MiB": run.peak_MiB,
            "shares": clock.shares(run.wall_s), "workers": workers, **found}


def main() -> int:
    """Measure; 1 if the answer is wrong."""
    parser = arguments(__doc__)
    parser.add_argument("--case", type=Path, default=FIRST_DENT)
    parser.add_argument("--workers", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--warm", action="store_true", help="one run not timed before")
    options: argparse.Namespace = parser.parse_args()
    if options.warm:
        compare(options.case.resolve(), options.workers)
    result = compare(options.case.resolve(), options.workers)
    key = f"{options.case.name}, {options.workers} worker(s)"
    result["changed_by"] = change("three_strategies", key, result["answer"])
    lines = [f"{row['strategy']:18s}{row['outcome']:22s}{row['steps']:>4s} steps  low "
             f"{float(row['max_low_mm']):+.2f}  high {float(row['max_high_mm']):+.2f} mm  "
             f"{float(row['improvement_pct']):.0f} % better  worst energy error "
             f"{float(row['max_energy_error_pct']):.2f} %" for row in result["rows"]]
    text = (f"three strategies on {options.case.name}: {result['median_s']:.1f} s, processor "
            f"{result['cpu_s']:.1f} s in all, {result['iterations']} Newton iterations of the "
            f"repairs, {result['peak_MiB']:.0f} MiB at most\n"
            + shares_line(result)
            + "\n" + "\n".join(lines) + f"\nchanged from the stored answer by "
            f"{result['changed_by']}; answer ok: {result['answer_ok']}")
    return finish("three_strategies", key, result, text, options)


if __name__ == "__main__":
    raise SystemExit(main())
