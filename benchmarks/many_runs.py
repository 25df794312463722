"""A study of 200 small runs on one process and on two: by how much two are faster.

Run: python benchmarks/many_runs.py [--runs 200] [--again PART] [--table FILE] [--json] [--store]

On a machine that does nothing else. The study is carried out in parts of 25 runs; a part on one and
on two processes alternates, so that both meet the same state of the machine. Every part is a row,
written as soon as it is done; given again, the script goes on where it stopped. The answer counts
only if the tables of runs and steps are the same byte for byte whatever the number of processes, in
every part whose tables are known. ``--again`` carries out a part once more for its tables and keeps
the times that were measured, so that it may run on a busy machine.
The panel and its dents are invented. ``--store`` keeps the table as results/many_runs.csv.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from two_hands import Table

RESULTS = Path(__file__).parent / "results"
COLUMNS = ("processes", "part", "runs", "wall_s", "done", "tables")
KEYS = ("processes", "part")
PROCESSES = (1, 2)
PART = 25
WANTED = 1.8
"""Two processes shall be so many times as fast as one."""
CASE = """\
format: 1
title: Small bowl
about: Invented for this benchmark.
panel: {surface: flat, length_x_mm: 160, length_y_mm: 120, thickness_mm: 0.8, grade: DC04}
mesh: {fine_mm: 8, coarse_mm: 20, layers: 3}
dent:
  blows:
    - {body: ball, radius_mm: 20, x_mm: 5, y_mm: -4, depth_mm: 1.0}
kit: {tabs: [round-25], tips: [ball-12], glue: standard-hot-melt}
limits: {steps: 1}
"""
STUDY = """\
format: 1
title: Part PART of many small runs
about: Invented for this benchmark.
cases: [small-bowl]
strategies: [worst-spot-first]
replicates: RUNS
seed: PART
scatter: {thickness_pct: 3, yield_pct: 5}
"""


def main() -> None:
    """Carry out the parts that are missing, print what all of them say."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--runs", type=int, default=200, help="runs in all, in parts of 25")
    parser.add_argument("--again", type=int, help="a part whose tables are compared once more")
    parser.add_argument("--table", type=Path, default=Path("many_runs.csv"))
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--store", action="store_true")
    asked = parser.parse_args()
    table = Table(RESULTS / "many_runs.csv" if asked.store else asked.table, COLUMNS, KEYS)
    if asked.again is not None:
        for row in (row for row in table.rows if row["part"] == str(asked.again)):
            row["tables"] = str(carry_out(asked.again, int(row["processes"]), int(row["runs"])
                                          )["tables"])
            table.save()
    for part in range(max(1, asked.runs // PART)):
        for processes in PROCESSES:
            if not table.has(processes=str(processes), part=str(part)):
                row = table.add(**carry_out(part, processes, min(PART, asked.runs)))
                if not asked.json:
                    print(", ".join(f"{key} {row[key]}" for key in COLUMNS[:-1]), flush=True)
    found = concluded(table.rows)
    print(json.dumps(found) if asked.json else "\n".join(f"{k:<18}{v}" for k, v in found.items()))


def carry_out(part: int, processes: int, runs: int) -> dict[str, object]:
    """One part as a row; in a folder of its own that is removed again."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "small-bowl").mkdir()
        (place / "small-bowl" / "case.yaml").write_text(CASE, "utf-8")
        (place / "study.yaml").write_text(
            STUDY.replace("PART", str(part)).replace("RUNS", str(runs)), "utf-8")
        begin = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "simkit", "study", str(place / "study.yaml"), "--out",
             str(place / "out"), "--workers", str(processes)], capture_output=True, text=True,
            check=False)
        wall = time.perf_counter() - begin
        if done.returncode != 0:
            raise SystemExit(done.stderr)
        files = [place / "out" / name for name in ("runs.csv", "steps.csv")]
        whole = hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()
        ended = files[0].read_text("utf-8").count(",done,")
        return {"processes": processes, "part": part, "runs": runs, "wall_s": wall, "done": ended,
                "tables": whole}


def concluded(rows: list[dict[str, str]]) -> dict[str, object]:
    """Speed-up over the parts that both numbers of processes have done, and whether it counts."""
    by = {(row["processes"], row["part"]): row for row in rows}
    parts = sorted({part for _, part in by if all((str(p), part) in by for p in PROCESSES)})
    times = {p: sum(float(by[str(p), part]["wall_s"]) for part in parts) for p in PROCESSES}
    each = sorted(float(by["1", part]["wall_s"]) / float(by["2", part]["wall_s"])
                  for part in parts)
    known = [part for part in parts if by["1", part]["tables"] and by["2", part]["tables"]]
    same = bool(known) and all(by["1", part]["tables"] == by["2", part]["tables"]
                               for part in known)
    ratio = times[1] / times[2] if parts else float("nan")
    return {"runs": sum(int(by["1", part]["runs"]) for part in parts),
            "one_process_s": round(times[1], 1), "two_processes_s": round(times[2], 1),
            "times_as_fast": round(ratio, 3),
            "least_and_most": [round(each[0], 3), round(each[-1], 3)] if each else [],
            "runs_with_tables": sum(int(by["1", part]["runs"]) for part in known),
            "tables_equal": same, "answer_ok": bool(parts) and same and ratio >= WANTED}


if __name__ == "__main__":
    main()
