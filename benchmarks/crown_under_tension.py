"""Pull alone, taps first, pull held while tapping: six dents, equal force and equal glue.

Run: python benchmarks/crown_under_tension.py [--only DENT] [--table FILE] [--json] [--store]

Two sheets, three curvatures; shallow, deep and crease. The pull is a round tab of 30 mm on the
standard glue, with 0.85 of the force at which the dent would come by itself, or of a usual pull
(211 to 266 N) where it has no such limit. Held, it follows (constant force), is springy (100 N/mm)
or locked (travel kept). Every row is written as soon as it is done; run again, the script goes on
where it stopped. ``--store`` keeps the table as results/crown_under_tension.csv.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from two_hands import (
    ALUMINIUM,
    CREASE,
    DOUBLE,
    SINGLE,
    STANDARD,
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
    Dent("steel-shallow", "Shallow, double curvature", DOUBLE + STEEL, ball_blow(25.0, 2.0),
         266.3),
    Dent("steel-deep", "Deep, double curvature", DOUBLE + STEEL, ball_blow(25.0, 10.0)),
    Dent("steel-crease", "Crease, single curvature", SINGLE + STEEL, CREASE, 211.0),
    Dent("aluminium-shallow", "Shallow, tight curvature", TIGHT + ALUMINIUM, ball_blow(25.0, 2.0),
         223.7),
    Dent("aluminium-deep", "Deep, tight curvature", TIGHT + ALUMINIUM, ball_blow(25.0, 8.0)),
    Dent("aluminium-crease", "Crease, single curvature", SINGLE + ALUMINIUM, CREASE, 215.9),
)
FINE_MM = 10.0
SHARE = 0.85
SPRINGY_N_PER_MM = 100.0
RUNS = (("pull", ""), ("taps, pull", ""), ("held, taps, let down", "following"),
        ("held, taps, let down", "springy"), ("held, taps, let down", "locked"))
COLUMNS = ("dent", "sequence", "hold", "force_N", "centre_mm", "crown_mm", "worst_mm", "start_mm",
           "start_crown_mm", "limit_N", "stretch_mm2", "minutes", "snapped",
           "books_pct", "outcome")
KEYS = ("dent", "sequence", "hold")


def main() -> None:
    """Compute the rows that are missing, print them all."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--only", help="one dent")
    parser.add_argument("--table", type=Path, default=Path("crown_under_tension.csv"))
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--store", action="store_true")
    asked = parser.parse_args()
    file = RESULTS / "crown_under_tension.csv" if asked.store else asked.table
    table = Table(file, COLUMNS, KEYS)
    for dent in DENTS:
        if asked.only in (None, dent.name):
            add_rows(table, dent, quiet=asked.json)
    if asked.json:
        print(json.dumps({"rows": table.rows}))


def add_rows(table: Table, dent: Dent, quiet: bool) -> None:
    """All sequences on one dent that the table has not yet."""
    missing = [run for run in RUNS
               if not table.has(dent=dent.name, sequence=run[0], hold=run[1])]
    if not missing:
        return
    limit = own_limit(dent.session(FINE_MM))
    start = dent.session(FINE_MM, STANDARD)
    force = SHARE * (dent.usual_N if limit is None else limit)
    before = read(start)
    for sequence, hold in missing:
        done = carry_out(sequence, start, force, hold or "following", SPRINGY_N_PER_MM)
        after = read(done)
        row = table.add(
            dent=dent.name, sequence=sequence, hold=hold, force_N=force,
            centre_mm=after.centre_mm, crown_mm=after.crown_mm, worst_mm=after.worst_mm,
            start_mm=before.centre_mm, start_crown_mm=before.crown_mm, limit_N=limit,
            stretch_mm2=after.stretch_mm2, minutes=after.minutes,
            snapped=after.snapped, books_pct=after.books_pct, outcome=outcome_of(done))
        if not quiet:
            print(", ".join(f"{name} {row[name]}" for name in COLUMNS), flush=True)


if __name__ == "__main__":
    main()
