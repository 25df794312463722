"""Plates and a cap against independent finite elements: the table of errors over the mesh.

Run: python benchmarks/reference_fe.py [--sizes 10 5 2.5 1.25] [--cases A1 A2 A3s A4s1000]
     [--increment 0.25] [--json]

Cases, reference and the reason for a sector: simkit/verification/problems/sector_fe.py and its
data.
"""

from __future__ import annotations

import argparse
import json
import time

from simkit.verification.problems.sector_fe import (
    CAP,
    LARGEST_MM,
    PLATE,
    BallCase,
    Row,
    elastic_pressure,
    plastic_pressure,
    press,
)

BALLS = {"A3s": PLATE, "A4s1000": CAP}
PRESSURES = {"A1": elastic_pressure, "A2": plastic_pressure}
HEAD = "case      mesh mm  quantity                      reference       value    error %  limit %"


def as_dict(row: Row) -> dict:
    """One number as JSON takes it."""
    return {"case": row.case, "element_mm": row.element_mm, "quantity": row.quantity,
            "reference": row.reference, "value": row.value, "error_pct": row.error_pct,
            "limit_pct": row.limit_pct}


def ball_run(case: BallCase, size: float, largest_mm: float) -> tuple[list[Row], dict]:
    """Rows of a ball case and what else tells about the run."""
    start = time.perf_counter()
    pressed = press(case, size, largest_mm)
    done = pressed.advance
    return pressed.rows(), {
        "case": case.name, "element_mm": size, "increment_mm": largest_mm,
        "outcome": done.outcome.value,
        "profile_rms_pct_of_depth": pressed.profile_error_pct(),
        "penetration_mm": pressed.penetration_mm, "energy_error_pct": done.energy_error_pct,
        "increments": len(done.path), "iterations": done.iterations, "cuts": done.cuts,
        "seconds": time.perf_counter() - start}


def line(row: Row) -> str:
    """One line of the table."""
    limit = "" if row.limit_pct is None else f"{row.limit_pct:8.1f}"
    return (f"{row.case:9s} {row.element_mm:7.2f}  {row.quantity:26s} {row.reference:12.5g}"
            f"{row.value:12.5g}{row.error_pct:+11.2f} {limit}")


def main() -> None:
    """Measure and print a table or one JSON object."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", type=float, nargs="+", default=[10.0, 5.0, 2.5, 1.25])
    parser.add_argument("--cases", nargs="+", choices=[*PRESSURES, *BALLS],
                        default=[*PRESSURES, *BALLS])
    parser.add_argument("--increment", type=float, default=LARGEST_MM,
                        help="largest increment of the ball's travel, mm")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    rows: list[Row] = []
    runs: list[dict] = []
    for case in options.cases:
        for size in options.sizes:
            # the loaded disc of A2 must end at an element border
            if case == "A2" and abs(15.0 / size - round(15.0 / size)) > 1e-9:
                continue
            if case in PRESSURES:
                rows += PRESSURES[case](size)
                continue
            more, run = ball_run(BALLS[case], size, options.increment)
            rows, runs = rows + more, [*runs, run]
    if options.json:
        print(json.dumps({"rows": [as_dict(row) for row in rows], "runs": runs}))
        return
    print(HEAD)
    for row in sorted(rows, key=lambda r: (r.case, r.quantity, -r.element_mm)):
        print(line(row))
    print("\ncase      mesh mm  profile rms %  penetration mm  energy error %  iterations  seconds")
    for run in runs:
        print(f"{run['case']:9s} {run['element_mm']:7.2f} {run['profile_rms_pct_of_depth']:14.2f}"
              f"{run['penetration_mm']:16.4f}{run['energy_error_pct']:16.3f}"
              f"{run['iterations']:12d}{run['seconds']:9.1f}")


if __name__ == "__main__":
    main()
