"""Time a dent's reconstruction with all its plausible histories, on 64 x 64 elements.

Run: python benchmarks/ensemble_time.py [--threads 2] [--elements 64] [--json]

Aim: at most 60 s on 2 processors. The dent is described (a bowl with a crown), invented, on a panel
that exists nowhere. Seconds of the clock say little on a machine that does other work at the same
time; those of the processor stand beside them.
"""

from __future__ import annotations

import argparse
import json
import time

from simkit.case import make_case
from simkit.history.reconstruct import reconstruct
from simkit.repair.workpiece import make_workpiece
from simkit.study.ensemble import open_histories
from simkit.study.run import SEARCH_ELEMENT_FACTOR

SIDE_MM = 240.0


def main() -> None:
    """Reconstruct, carry every history out in full, say how long both took."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--elements", type=int, default=64)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    element = SIDE_MM / options.elements
    case = make_case({
        "title": "Ensemble timed", "about": "Invented for this benchmark.",
        "panel": {"surface": "curved", "radius_x_mm": 1500, "radius_y_mm": 700,
                  "length_x_mm": SIDE_MM, "length_y_mm": SIDE_MM, "thickness_mm": 0.75,
                  "grade": "DC04"},
        "mesh": {"fine_mm": element, "coarse_mm": element},
        "dent": {"shapes": [{"kind": "bowl", "x_mm": 5, "y_mm": -4, "length_mm": 70,
                             "width_mm": 60, "depth_mm": 1.5, "crown_mm": 0.15}]},
        "history": {"method": "strike"},
        "kit": {"tabs": ["round-30"], "tips": ["ball-12"], "glue": "standard-hot-melt"}})
    clock, spent = time.perf_counter(), time.process_time()
    work = make_workpiece(case, threads=options.threads)
    fit = make_workpiece(case, threads=options.threads, coarser=SEARCH_ELEMENT_FACTOR)
    done = reconstruct(work, fit)
    one = time.perf_counter() - clock, time.process_time() - spent
    ensemble = open_histories(work, done, workers=options.threads)
    both = time.perf_counter() - clock, time.process_time() - spent
    answer = {"elements": int(work.model.geometry.elements), "threads": options.threads,
              "matched": done.matched, "rms_mm": round(done.rms_mm, 4), "tried": done.tried,
              "histories": len(ensemble.histories), "reconstruct_s": round(one[0], 1),
              "reconstruct_cpu_s": round(one[1], 1), "with_ensemble_s": round(both[0], 1),
              "with_ensemble_cpu_s": round(both[1], 1)}
    print(json.dumps(answer) if options.json else "\n".join(
        f"{key:<22}{value}" for key, value in answer.items()))


if __name__ == "__main__":
    main()
