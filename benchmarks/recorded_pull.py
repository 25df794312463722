"""Replay the linear algebra of one recorded pull, solver by solver.

Run: python benchmarks/recorded_pull.py [--elements 64] [--backends multifrontal pardiso]
     [--threads 1] [--repeats 3] [--json]

The pull of `one_pull.py` runs once with the own solver and keeps what it hands over: the values of
every factorisation, the right-hand sides of every solution. Each backend then does the same work in
the same order. Solutions must agree with those of the first backend to 1e-8. For the own solver the
table also says what share of the blocks a change reached.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import defaultdict
from typing import Any

import numpy as np
from one_pull import dented, panel, pull

from simkit.solve.linear import Pattern, available, bordered, make_solver
from simkit.solve.linear.multifrontal import MultifrontalLDL

AGREEMENT = 1e-8

Event = tuple[str, int, np.ndarray]  # what was asked, of which of the model's solvers, with what


def record(elements: int) -> tuple[Pattern, list[Event]]:
    """Run the strike, then the pull; return the pattern and the pull's calls in order."""
    model = panel(elements, "multifrontal", 1)
    strike = dented(model)
    events: list[Event] = []
    numbers: dict[int, int] = {}
    kept = MultifrontalLDL.factor, MultifrontalLDL.solve

    def factor(self: Any, data: np.ndarray, changed: np.ndarray | None = None) -> None:
        events.append(("factor", numbers.setdefault(id(self), len(numbers)), np.array(data)))
        kept[0](self, data, changed)

    def solve(self: Any, b: np.ndarray) -> np.ndarray:
        events.append(("solve", numbers.setdefault(id(self), len(numbers)), np.array(b)))
        return kept[1](self, b)

    MultifrontalLDL.factor, MultifrontalLDL.solve = factor, solve  # type: ignore[method-assign]
    # whole solutions for the tab's border too, as every solver offers them
    bordered.MultifrontalLDL = type(None)  # type: ignore[misc, assignment]
    try:
        pull(model, strike.state)
    finally:
        MultifrontalLDL.factor, MultifrontalLDL.solve = kept  # type: ignore[method-assign]
        bordered.MultifrontalLDL = MultifrontalLDL  # type: ignore[misc]
    return model.pattern(), events


def replay(pattern: Pattern, events: list[Event], backend: str, threads: int) -> dict:
    """Do the recorded work; seconds by kind (clock and processor), solutions, inertia."""
    count = 1 + max(number for _, number, _ in events)
    solvers = [make_solver(pattern, backend, threads) for _ in range(count)]
    clock: dict[str, float] = defaultdict(float)
    processor: dict[str, float] = defaultdict(float)
    calls: dict[str, int] = defaultdict(int)
    solutions, negative, reached = [], [], []
    for what, number, values in events:
        solver = solvers[number]
        sides = 1 if values.ndim == 1 else values.shape[1]
        kind = "factor" if what == "factor" else f"solve {sides}"
        start = time.perf_counter(), time.process_time()
        if what == "factor":
            solver.factor(values)
        else:
            solutions.append(solver.solve(values))
        clock[kind] += time.perf_counter() - start[0]
        processor[kind] += time.process_time() - start[1]
        calls[kind] += 1
        if what == "factor":
            negative.append(solver.negative_pivots)
            if isinstance(solver, MultifrontalLDL):
                reached.append(solver.recomputed / solver.supernodes)
    return {"backend": backend, "clock_s": dict(clock), "processor_s": dict(processor),
            "calls": dict(calls), "negative": negative, "solutions": solutions,
            "blocks_reached": float(np.mean(reached)) if reached else None}


def main() -> int:
    """Measure and print a table or one JSON object; 1 if solutions disagree."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--elements", type=int, default=64)
    parser.add_argument("--backends", nargs="+",
                        default=[name for name in available() if name != "superlu"])
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    pattern, events = record(options.elements)
    rows = []
    reference: list[np.ndarray] | None = None
    for backend in options.backends:
        runs = [replay(pattern, events, backend, options.threads)
                for _ in range(options.repeats)]
        best = min(runs, key=lambda run: sum(run["processor_s"].values()))
        solutions = best.pop("solutions")
        reference = solutions if reference is None else reference
        best["largest_difference"] = max(
            float(np.abs(x - y).max() / np.abs(y).max())
            for x, y in zip(solutions, reference, strict=True))
        best["indefinite"] = sum(1 for found in best.pop("negative") if found)
        rows.append(best)
    good = all(row["largest_difference"] <= AGREEMENT for row in rows)
    if options.json:
        print(json.dumps({"elements": options.elements, "threads": options.threads, "rows": rows,
                          "answer_ok": good}))
        return 0 if good else 1
    print(f"{options.elements} x {options.elements} elements, {pattern.n} equations, "
          f"{options.threads} thread(s)")
    for row in rows:
        print(f"{row['backend']}: " + ", ".join(
            f"{kind} {1e3 * row['processor_s'][kind] / n:.2f} ms x {n}"
            for kind, n in row["calls"].items())
            + f"; processor {sum(row['processor_s'].values()):.3f} s, "
            f"clock {sum(row['clock_s'].values()):.3f} s, "
            f"largest difference {row['largest_difference']:.1e}, "
            f"{row['indefinite']} indefinite, blocks reached {row['blocks_reached']}")
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
