"""Rehearsals on blind dents: are repairs better with readings after each step, and foretold better?

Run: python benchmarks/rehearsals.py [--only DENT ...] [--count 6] [--steps 8] [--table FILE]

The first dents of the test half of blind_dents.py that have a crown: the true panel has another
mesh and another sheet than the model believes. Their depths are read with noise, reconstructed with
all plausible histories, and repaired by worst-spot-first, planned on the history that is most
probable so far and carried out on the true panel by a hand that misses place and height; once with
five places read by a dial gauge before and after every step, once without. How far the middle was
foretold wrong (middle_missed_mm) is to be compared with what would have been foretold for the same
steps without readings (unread_missed_mm); the repair without readings takes other steps. held:
steps in their foretold band. Rows are written as they are done, and what is in the table is not
done again.
"""

from __future__ import annotations

import argparse
import csv
import json
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from blind_dents import CROWN_MM, DENTS, Dent, half_of, true_dent
from blind_history import COARSER, write_case
from steps_to_flat import HAND

from simkit.case import load_case
from simkit.case.vary import with_keys
from simkit.files import write_table
from simkit.history.reconstruct import reconstruct
from simkit.inspection.sampling import make_sampling
from simkit.repair.session import Session, open_session
from simkit.repair.workpiece import make_workpiece
from simkit.strategy import find_strategy
from simkit.study.ensemble import Ensemble, open_histories
from simkit.study.rehearsal import rehearse

TABLE = Path(__file__).resolve().parent / "results" / "rehearsals.csv"
COLUMNS = ("dent", "histories", "readings", "steps", "minutes", "start_low_mm", "low_mm", "high_mm",
           "slope_mrad", "middle_missed_mm", "unread_missed_mm", "held", "outcome", "cpu_s")
STRATEGY, GAUGE_MM = "worst-spot-first", 0.005


def opened(dent: Dent, steps: int) -> tuple[Ensemble, Session]:
    """The histories of a blind dent, and its true panel ready for repair."""
    model, state = true_dent(dent)
    with tempfile.TemporaryDirectory() as folder:
        case = load_case(write_case(dent, model, state, Path(folder)))
        case = with_keys(case, {**{f"hand.{key}": value for key, value in HAND.items()},
                                "limits.steps": steps})
        work = make_workpiece(case)
        done = reconstruct(work, make_workpiece(case, coarser=COARSER))
        ensemble = open_histories(work, done)
    near = work.sampling.field(ensemble.likeliest.state)
    extent = (near.x_mm[0], near.x_mm[-1], near.y_mm[0], near.y_mm[-1])
    true = replace(work, model=model, sampling=make_sampling(
        model.patch, tuple(float(end) for end in extent), near.step_mm[0]))
    return ensemble, open_session(true, state)


def rows_of(dent: Dent, steps: int) -> list[dict[str, str]]:
    """Both rehearsals of one dent."""
    begin = time.process_time()
    ensemble, truth = opened(dent, steps)
    found = []
    for readings in (True, False):
        one = rehearse(ensemble, truth, lambda: find_strategy(STRATEGY), GAUGE_MM, readings,
                       lambda text: print("   ", text, flush=True))
        row = one.truth.now.row
        found.append({
            "dent": dent.name, "histories": str(len(ensemble.histories)),
            "readings": "yes" if readings else "no", "steps": str(len(one.steps)),
            "minutes": f"{sum(step.after.now.row.minutes for step in one.steps):.1f}",
            "start_low_mm": f"{truth.now.row.max_low_mm:.3f}", "low_mm": f"{row.max_low_mm:.3f}",
            "high_mm": f"{row.max_high_mm:.3f}", "slope_mrad": f"{row.slope_mrad:.2f}",
            "middle_missed_mm": f"{one.missed_mm():.4f}",
            "unread_missed_mm": f"{one.missed_mm(unread=True):.4f}" if readings else "",
            "held": str(one.held()), "outcome": one.outcome,
            "cpu_s": f"{time.process_time() - begin:.0f}"})
    return found


def main() -> None:
    """Rehearse what is missing, print what is there."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--count", type=int, default=6)
    parser.add_argument("--steps", type=int, default=8)
    parser.add_argument("--table", type=Path, default=TABLE)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    rows: list[dict[str, str]] = []
    if asked.table.exists():
        with asked.table.open(newline="", encoding="utf-8") as stream:
            rows = list(csv.DictReader(stream))
    done = {row["dent"] for row in rows}
    for dent in DENTS:
        chosen = dent.name in asked.only if asked.only else (
            half_of(dent) == "test" and len(done) < asked.count)
        if dent.name in done or not chosen:
            continue
        if not asked.only and not crowned(dent):
            continue
        print(dent.name, flush=True)
        rows += rows_of(dent, asked.steps)
        done.add(dent.name)
        write_table(asked.table, COLUMNS, rows)
    if asked.json:
        print(json.dumps({"rows": rows}))
        return
    for row in rows:
        print(", ".join(f"{key} {row[key]}" for key in COLUMNS))


def crowned(dent: Dent) -> bool:
    """Whether the true dent has a crown that would be tapped."""
    model, state = true_dent(dent)
    inner = (-100.0, 100.0, -100.0, 100.0)
    heights = make_sampling(model.patch, inner, 5.0).field(state).d_mm
    return bool(np.nanmax(heights) > CROWN_MM)


if __name__ == "__main__":
    main()
