"""Time the reconstruction of the first demo dent: search of the blows, blows, rest closed.

Run: python benchmarks/reconstruction.py [--case cases/first-dent] [--threads 1] [--repeats 1]
     [--json] [--store]

What `simkit run` does before the first step: a search for the blows on a coarser mesh, those blows
in fine increments, then imprints until the depth field is met. The answer is right when

- the released shape meets the depth field as closely as the case asks (history.match_mm), and
- it meets the gauge readings in the case's own file, which the solver never sees, as closely as
  match and noise of the readings together allow.

A stored answer of the same case (blow, plastic work) tells whether anything changed; it is no
measure of right or wrong. `--store` keeps the result with its answer.
"""

from __future__ import annotations

import argparse
import csv
import json
from pathlib import Path

import numpy as np
from common import RESULTS, ROOT, arguments, finish, say, shares_line, timed_runs

from simkit.case import Case, load_case
from simkit.history.reconstruct import Reconstruction, reconstruct
from simkit.inspection.sampling import probe_at
from simkit.repair.workpiece import Workpiece, make_workpiece
from simkit.study.run import SEARCH_ELEMENT_FACTOR

FIRST_DENT = ROOT / "cases" / "first-dent"


def workpieces(case: Case, threads: int) -> tuple[Workpiece, Workpiece]:
    """The case on its own mesh, and on the coarser one of the search."""
    return make_workpiece(case, threads=threads), make_workpiece(case, threads=threads,
                                                                 coarser=SEARCH_ELEMENT_FACTOR)


def off_readings_mm(work: Workpiece, done: Reconstruction) -> float:
    """Root mean square difference to the case's gauge readings, read here from its file."""
    file: Path = work.case.folder / str(work.case.dent.points_csv)
    with open(file, newline="", encoding="utf-8") as text:
        rows = list(csv.DictReader(line for line in text if not line.startswith("#")))
    gaps = [probe_at(work.model, float(row["x_mm"]), float(row["y_mm"])).read(
        done.state.displacement) - float(row["d_mm"]) for row in rows]
    return float(np.sqrt(np.mean(np.square(gaps))))


def answer_of(work: Workpiece, done: Reconstruction) -> dict[str, float]:
    """The reconstruction in numbers."""
    area = work.model.geometry.area[..., None] * work.model.layers.weights
    numbers = {"rms_mm": done.rms_mm, "worst_mm": done.worst_mm,
               "off_readings_mm": off_readings_mm(work, done),
               "plastic_work_Nmm": float((area * done.state.points[..., 4]).sum()
                                         * work.model.thickness_mm)}
    for blow in done.blows[:1]:
        numbers |= {"radius_mm": blow.radius_mm, "x_mm": blow.x_mm, "y_mm": blow.y_mm}
    return numbers | {"histories_tried": float(done.tried)}


def change(name: str, key: str, answer: dict[str, float]) -> float | None:
    """Largest relative change against the stored answer; None without one."""
    file = RESULTS / f"{name}.json"
    stored = json.loads(file.read_text()).get(key, {}).get("answer", {}) if file.exists() else {}
    return max((abs(answer[word] - value) / max(abs(value), 1e-12)
                for word, value in stored.items() if word in answer), default=None)


def main() -> int:
    """Measure; 1 if the answer is wrong."""
    parser = arguments(__doc__)
    parser.add_argument("--case", type=Path, default=FIRST_DENT)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--repeats", type=int, default=1)
    options: argparse.Namespace = parser.parse_args()
    case = load_case(str(options.case))
    work, fit = workpieces(case, options.threads)
    result = timed_runs(lambda: reconstruct(work, fit, say), work.model, options.repeats,
                        warm=False)
    done: Reconstruction = result.pop("done")
    del result["all_done"]
    answer = answer_of(work, done)
    limit = case.history.match_mm + case.dent.noise_mm
    key = f"{options.case.name}, {options.threads} thread(s)"
    result |= {"case": options.case.name, "threads": options.threads, "answer": answer,
               "equations": work.model.layout.count, "limit_off_readings_mm": limit,
               "changed_by": change("reconstruction", key, answer),
               "answer_ok": bool(done.matched and answer["off_readings_mm"] <= limit)}
    text = (f"reconstruction of {options.case.name}, {result['equations']} equations, "
            f"{options.threads} thread(s): {result['median_s']:.1f} s, processor "
            f"{result['cpu_s']:.1f} s, {result['iterations']} Newton iterations\n"
            + shares_line(result)
            + "\n" + done.sentence() + "\n"
            f"off the gauge readings {answer['off_readings_mm']:.3f} mm rms (limit {limit:.3f}); "
            f"changed from the stored answer by {result['changed_by']}; answer ok: "
            f"{result['answer_ok']}")
    return finish("reconstruction", key, result, text, options)


if __name__ == "__main__":
    raise SystemExit(main())
