"""The same operations by the version before the work on speed and by this one, in turn.

Run: python benchmarks/against_start.py [--operations pull,tap,reconstruction,repair,compare]
     [--rounds 2] [--elements 64] [--threads 1] [--tree FOLDER] [--json] [--store]

The version at the start is the commit before the first that made the engine faster (START); it is
checked out into a git worktree, which is removed at the end unless it was given as FOLDER. Each
measurement is a process of its own, the versions in turn, both on the same interpreter, libraries
and BLAS; kernels are compiled before. Ratios are of processor seconds (least of the rounds), since
both cores of a machine are rarely idle; seconds by the clock stand beside.

- pull, tap: the operations of one_pull.py, as either version carries them out, on one dent that
  this version makes and both are given.
- reconstruction, repair: the first demo dent; 10 steps of crown-first on what each reconstructed.
- compare: `simkit compare` end to end; long, so not among the defaults.

Answers differ by more than rounding: the versions take other increments (blows of at most 0.25 mm
where the start took 1.5 mm), and plasticity depends on them. The differences are printed. The
answer is right when every operation of both versions ended in balance, this version's energy
balances within 1 %, and a pull or tap moves the place as in the other version within 10 %
(increments of the start were found to be worth several per cent).
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

START = "64b04cb"
HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
CASE = ROOT / "cases" / "first-dent"
OPERATIONS = ("pull", "tap", "reconstruction", "repair", "compare")
STEPS = 10
ENERGY_PCT, SAME_PLACE = 1.0, 0.1
MOVED = "change_mm"


def operate(operation: str, elements: int, threads: int, dent: Path) -> dict:
    """One pull or tap of this process's version on a given dent, timed after one not timed."""
    import numpy as np
    import one_pull

    from simkit.mechanics.model import State

    model = one_pull.panel(elements, "auto", threads)
    if not dent.exists():
        struck = one_pull.dented(model).state
        np.savez(dent, displacement=struck.displacement, points=struck.points)
    with np.load(dent) as held:
        state = State(held["displacement"], held["points"])
    job = one_pull.tap if operation == "tap" else one_pull.pull
    job(model, state)
    seconds, done = timed(lambda: job(model, state))
    x_mm = one_pull.TAP_AT_MM if operation == "tap" else 0.0
    answer = one_pull.answer_of(model, state, done, x_mm)
    return {**seconds, "iterations": done.iterations, "valid": done.outcome.valid,
            "energy_error_pct": done.energy_error_pct, "answer": answer}


def repair(operation: str, threads: int) -> dict:
    """The reconstruction of the first dent, or steps on it, timed."""
    from simkit.case import load_case
    from simkit.strategy import find_strategy
    from simkit.study.run import prepare

    with tempfile.TemporaryDirectory() as folder:
        seconds, start = timed(lambda: prepare(load_case(str(CASE)), Path(folder), threads, quiet))
    if operation == "reconstruction":
        return {**seconds, "valid": start.matched, "energy_error_pct": 0.0, "iterations": 0,
                "answer": {"rms_mm": start.notes["rms_mm"]}}
    strategy = find_strategy("crown-first")

    def steps() -> Any:
        session = start.session
        for _ in range(STEPS):
            session = session.apply(strategy.next(session))
        return session

    seconds, session = timed(steps)
    rows = [step.row for step in session.steps[1:]]
    return {**seconds, "iterations": sum(row.iterations for row in rows),
            "valid": all(step.result.outcome.valid for step in session.steps[1:]),
            "energy_error_pct": max(abs(row.energy_error_pct) for row in rows),
            "answer": {"max_low_mm": rows[-1].max_low_mm, "max_high_mm": rows[-1].max_high_mm}}


def compared(tree: Path) -> dict:
    """`simkit compare` by the package in that folder."""
    from three_strategies import compare

    run = compare(CASE, len(os.sched_getaffinity(0)), tree)
    return {"wall_s": run["median_s"], "cpu_s": run["cpu_s"], "iterations": run["iterations"],
            "valid": run["answer_ok"] or tree != ROOT,
            "energy_error_pct": max(float(row["max_energy_error_pct"]) for row in run["rows"]),
            "answer": run["answer"]}


def timed(job: Callable[[], Any]) -> tuple[dict[str, float], Any]:
    """Seconds by clock and processor, and what the job gave."""
    clock, used = time.perf_counter(), time.process_time()
    done = job()
    return {"wall_s": time.perf_counter() - clock, "cpu_s": time.process_time() - used}, done


def quiet(text: str) -> None:
    """No progress."""


def measure(tree: Path, operation: str, options: argparse.Namespace, dent: Path) -> dict:
    """One measurement of the version in a folder, in a process of its own."""
    if operation == "compare":
        return compared(tree)
    places = os.pathsep.join([str(tree), str(tree / "benchmarks")])
    words = [sys.executable, "-c", BEGIN, str(HERE / "against_start.py"), operation,
             str(options.elements), str(options.threads), str(dent)]
    ended = subprocess.run(words, capture_output=True, text=True, check=False, cwd=tree,
                           env={**os.environ, "PYTHONPATH": places})
    if ended.returncode:
        raise SystemExit(f"{operation} failed in {tree.name}: {ended.stderr[-2000:]}")
    found = json.loads(ended.stdout.strip().splitlines()[-1])
    if Path(found.pop("package")).resolve() != tree.resolve():
        raise SystemExit(f"the package of {tree} was not the one that ran")
    return found


BEGIN = "import runpy, sys; del sys.argv[0]; sys.argv.insert(1, '--one'); " \
        "runpy.run_path(sys.argv[0], run_name='__main__')"
"""Runs this script without its folder on the path, so that each version finds its own modules."""


def one(words: list[str]) -> None:
    """One measurement in this process, printed as JSON."""
    import simkit

    operation, elements, threads, dent = words
    found = (operate(operation, int(elements), int(threads), Path(dent))
             if operation in ("pull", "tap") else repair(operation, int(threads)))
    print(json.dumps({**found, "package": str(Path(str(simkit.__file__)).parents[1])}))


@contextmanager
def worktree(given: Path | None) -> Iterator[Path]:
    """The version at the start, checked out."""
    if given is not None and (given / "simkit").exists():
        yield given.resolve()
        return
    with tempfile.TemporaryDirectory() as name:
        tree = given or Path(name) / "start"
        subprocess.run(["git", "worktree", "add", "-q", "--detach", str(tree), START], cwd=ROOT,
                       check=True)
        try:
            yield tree.resolve()
        finally:
            if given is None:
                subprocess.run(["git", "worktree", "remove", "--force", str(tree)], cwd=ROOT,
                               check=True)


def beside(operation: str, start: list[dict], now: list[dict]) -> dict:
    """Both versions of an operation: least seconds, ratios, differences of the answers."""
    def least(runs: list[dict], name: str) -> float:
        return min(run[name] for run in runs)

    a, b = start[-1], now[-1]
    gaps = {name: b["answer"][name] - a["answer"][name] for name in b["answer"]
            if name in a["answer"]}
    near = (MOVED not in gaps
            or abs(gaps[MOVED]) <= SAME_PLACE * abs(a["answer"][MOVED]))
    return {"start": {"wall_s": least(start, "wall_s"), "cpu_s": least(start, "cpu_s"),
                      "iterations": a["iterations"], "answer": a["answer"]},
            "now": {"wall_s": least(now, "wall_s"), "cpu_s": least(now, "cpu_s"),
                    "iterations": b["iterations"], "answer": b["answer"]},
            "ratio_cpu": least(start, "cpu_s") / least(now, "cpu_s"),
            "ratio_wall": least(start, "wall_s") / least(now, "wall_s"), "differences": gaps,
            "answer_ok": bool(a["valid"] and b["valid"] and near
                              and abs(b["energy_error_pct"]) <= ENERGY_PCT)}


def line(operation: str, row: dict) -> str:
    """One line of the table."""
    gaps = ", ".join(f"{name} {value:+.3g}" for name, value in row["differences"].items())
    return (f"{operation:16s}{row['start']['cpu_s']:9.2f}{row['now']['cpu_s']:9.2f}"
            f"{row['ratio_cpu']:8.2f}{row['start']['wall_s']:10.2f}{row['now']['wall_s']:9.2f}"
            f"{row['ratio_wall']:8.2f}{row['start']['iterations']:8d}{row['now']['iterations']:7d}"
            f"  {'ok ' if row['answer_ok'] else 'BAD'}  {gaps}")


def main() -> int:
    """Measure both versions in turn; 1 if an answer does not hold."""
    if sys.argv[1:2] == ["--one"]:
        one(sys.argv[2:])
        return 0
    from common import arguments, finish, say

    parser = arguments(__doc__)
    parser.add_argument("--operations", type=lambda text: text.split(","),
                        default=["pull", "tap", "reconstruction", "repair"])
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--elements", type=int, default=64)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--tree", type=Path, help="worktree of the start to use or to make")
    options = parser.parse_args()
    rows = {}
    with worktree(options.tree) as tree, tempfile.TemporaryDirectory() as folder:
        dent = Path(folder) / "dent.npz"
        for operation in options.operations:
            runs: dict[Path, list[dict]] = {ROOT: [], tree: []}
            for _ in range(options.rounds):
                for version, found in runs.items():  # this one first: it makes the dent
                    found.append(measure(version, operation, options, dent))
                    say(f"{operation} {'now' if version == ROOT else 'start'}: "
                        f"{found[-1]['cpu_s']:.2f} s")
            rows[operation] = beside(operation, runs[tree], runs[ROOT])
    head = ("operation          start      now   ratio     start      now   ratio   start    now\n"
            "                   cpu s    cpu s             wall s   wall s          "
            "iterations      differences of the answers (now - start)")
    first = rows[options.operations[0]]
    result = {"start_commit": START, "threads": options.threads, "elements": options.elements,
              "rounds": options.rounds, "operations": rows,
              "median_s": first["now"]["wall_s"], "iterations": first["now"]["iterations"],
              "shares": {name: row["ratio_cpu"] for name, row in rows.items()},
              "answer_ok": all(row["answer_ok"] for row in rows.values())}
    text = "\n".join([head, *(line(name, row) for name, row in rows.items())])
    return finish("against_start", ",".join(options.operations), result, text, options)


if __name__ == "__main__":
    raise SystemExit(main())
