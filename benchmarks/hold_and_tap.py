"""Pull alone, taps then pull, pull then taps, held taps: what is left of four dents, two meshes.

Run: python benchmarks/hold_and_tap.py [--only DENT] [--mesh MM] [--table FILE] [--json] [--store]

The pull is a round tab of 30 mm whose glue never lets go, so that the force alone differs; it is a
share of the force at which the dent would come by itself (the greatest force of a pull by travel).
Where the force only rises there is no such limit, and the share is of a usual pull of 188 N.
Every row is written as soon as it is done; run again, the script goes on where it stopped. An
operation that finds no balance, and books that miss by more than 1 %, stand in the outcome.
``--store`` keeps the table as results/hold_and_tap.csv.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

from two_hands import (
    ALUMINIUM,
    DOUBLE,
    SEQUENCES,
    STEEL,
    TIGHT,
    Dent,
    Table,
    ball_blow,
    carry_out,
    outcome_of,
    own_limit,
    read,
)

RESULTS = Path(__file__).parent / "results"
DENTS = (
    Dent("first-dent", "Like the first demo dent", DOUBLE + STEEL,
         ball_blow(31.7, 4.0, 30.1, -15.5), 188.0),
    Dent("struck-10", "Struck bowl, 10 mm", DOUBLE + STEEL, ball_blow(25.0, 10.0)),
    Dent("inverted-27", "Inverted bowl, 27 mm", DOUBLE + STEEL, ball_blow(40.0, 27.0)),
    Dent("aluminium-8", "Struck bowl in aluminium, 8 mm", TIGHT + ALUMINIUM,
         ball_blow(25.0, 8.0)),
)
MESHES = (10.0, 7.0)
SHARES = (0.6, 0.9)
COLUMNS = ("dent", "fine_mm", "equations", "limit_N", "share", "force_N",
           "sequence", "start_mm", "centre_mm", "crown_mm", "worst_mm", "stretch_mm2", "taps",
           "minutes", "snapped", "books_pct", "cpu_s", "outcome")
KEYS = ("dent", "fine_mm", "share", "sequence")


def main() -> None:
    """Compute the rows that are missing, print them all."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--only", help="one dent")
    parser.add_argument("--mesh", type=float, help="one size of elements, mm")
    parser.add_argument("--share", type=float, help="one share of the limit")
    parser.add_argument("--table", type=Path, default=Path("hold_and_tap.csv"))
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--store", action="store_true")
    asked = parser.parse_args()
    table = Table(RESULTS / "hold_and_tap.csv" if asked.store else asked.table, COLUMNS, KEYS)
    for dent in DENTS:
        for fine in (asked.mesh,) if asked.mesh else MESHES:
            if asked.only in (None, dent.name):
                shares = (asked.share,) if asked.share else SHARES
                add_rows(table, dent, fine, shares, quiet=asked.json)
    if asked.json:
        print(json.dumps({"rows": table.rows}))


def add_rows(table: Table, dent: Dent, fine_mm: float, shares: tuple[float, ...],
             quiet: bool) -> None:
    """All sequences on one dent and mesh that the table has not yet."""
    missing = [(share, sequence) for share in shares for sequence in SEQUENCES if not table.has(
        dent=dent.name, fine_mm=f"{fine_mm:g}", share=f"{share:g}", sequence=sequence)]
    if not missing:
        return
    start = dent.session(fine_mm)
    limit = own_limit(start)
    before = read(start)
    for share, sequence in missing:
        force = share * (dent.usual_N if limit is None else limit)
        used = time.process_time()
        done = carry_out(sequence, start, force)
        after = read(done)
        row = table.add(
            dent=dent.name, fine_mm=fine_mm, equations=start.work.model.layout.count,
            limit_N=limit, share=share, force_N=force, sequence=sequence,
            start_mm=before.centre_mm, centre_mm=after.centre_mm, crown_mm=after.crown_mm,
            worst_mm=after.worst_mm, stretch_mm2=after.stretch_mm2,
            taps=sum(step.row.operation == "tap-down" for step in done.steps),
            minutes=after.minutes, snapped=after.snapped, books_pct=after.books_pct,
            cpu_s=time.process_time() - used, outcome=outcome_of(done))
        if not quiet:
            print(", ".join(f"{name} {row[name]}" for name in (
                "dent", "fine_mm", "force_N", "sequence", "start_mm", "centre_mm", "crown_mm",
                "books_pct", "cpu_s", "outcome")), flush=True)


if __name__ == "__main__":
    main()
