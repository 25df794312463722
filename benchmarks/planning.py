"""How long planning takes: a joint plan, candidates solved on one state, a whole repair.

    python benchmarks/planning.py [CASE] [--solved 20] [--whole] [--json]
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from itertools import islice
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from simkit.case import load_case
from simkit.repair.session import Session
from simkit.strategy import find_strategy
from simkit.strategy.builtin import WorstSpotFirst
from simkit.strategy.choice import DEEP_MM
from simkit.strategy.planner.candidates import lattice, make_pool, worst_places
from simkit.strategy.planner.joint import joint_plan
from simkit.strategy.planner.mind import Mind, deepest_mm, largest_change, operation_of
from simkit.study.run import prepare

CASES = Path(__file__).resolve().parents[1] / "cases"


def lifted(session: Session) -> Session:
    """The panel after its main lift."""
    while deepest_mm(session) > DEEP_MM:
        operation = WorstSpotFirst().next(session)
        if operation is None:
            break
        session = session.apply(operation)
    return session


def measured(session: Session, solved: int) -> dict[str, float]:
    """Seconds of wall time for what planning one step is made of."""
    mind = Mind()
    yard = mind.yardstick(session)
    parts = yard.read(session.now.field)
    worst = worst_places(session, yard, parts)
    begin = time.perf_counter()
    mind.measure(session, worst)
    measuring = time.perf_counter() - begin
    assert mind.library is not None
    begin = time.perf_counter()
    pool = make_pool(session, mind.library, worst + lattice(session))
    plan = joint_plan(parts, pool, largest_change(session))
    planning = time.perf_counter() - begin
    rng = np.random.default_rng(1)
    begin, done = time.perf_counter(), 0
    for k in islice(rng.permutation(len(pool.ways)), solved):
        change = 0.05 * pool.ways[k].sign
        done += mind.solve(session, operation_of(session, pool, int(k), change)) is not None
    each = (time.perf_counter() - begin) / max(solved, 1)
    return {"equations": session.work.model.layout.count, "ways": len(mind.library.known),
            "measuring_s": measuring, "candidates": len(pool.ways), "plan_s": planning,
            "plan_steps": len(plan.candidates), "plan_complete": plan.complete,
            "solved": solved, "balanced": done, "solve_s": each, "solves_200_s": 200.0 * each}


def whole(session: Session) -> dict[str, float]:
    """A whole repair by the planner: seconds of wall and processor time, steps, flat or not."""
    planner = find_strategy("planner", session.work.case)
    begin, spent = time.perf_counter(), time.process_time()
    while session.now.row.step < session.work.case.limits.steps:
        operation = planner.next(session)
        if operation is None:
            break
        session = session.apply(operation)
    return {"wall_s": time.perf_counter() - begin, "cpu_s": time.process_time() - spent,
            "steps": session.now.row.step, "flat": session.now.row.flat,
            "slope_mrad": session.now.row.slope_mrad}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("case", type=Path, nargs="?", default=CASES / "first-dent")
    parser.add_argument("--solved", type=int, default=20, help="candidates that are solved")
    parser.add_argument("--whole", action="store_true", help="plan the whole repair as well")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        start = prepare(load_case(args.case), Path(folder), 1, lambda text: None)
    found = measured(lifted(start.session), args.solved)
    if args.whole:
        found |= {f"whole_{key}": value for key, value in whole(start.session).items()}
    if args.json:
        print(json.dumps(found, default=float))
        return
    for key, value in found.items():
        print(f"{key:16} {value:.3g}" if isinstance(value, float) else f"{key:16} {value}")


if __name__ == "__main__":
    main()
