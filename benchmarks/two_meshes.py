"""Repairs on the case's mesh alone, and with larger elements until the bulk is out.

Run: python benchmarks/two_meshes.py [--dents bowl-2 bowl-4 overlapping] [--strategy NAME]
                                     [--table FILE] [--json] [--store] [--forces]

Dents of cases/set on elements of 5 mm, alone and after 10 mm for the bulk (`mesh.bulk_mm`), by one
strategy up to 12 steps or the stage roughed. A row tells processor time, what is left, and what the
change of the mesh did: largest change of height and of stored energy. Rows are written as they are
done; given again, the script goes on. All dents are invented; there is no outside truth here, the
finer mesh alone is what the other way is held against. --forces prints only the force with which a
tab of 30 mm draws bowl-2 out to flush on either mesh.
"""

from __future__ import annotations

import argparse
import json
import re
import tempfile
import time
from pathlib import Path

from two_hands import Table

from simkit.case import Case, load_case, make_case
from simkit.case.load import given
from simkit.record.read import read_run
from simkit.repair.levels import FINER_MESH
from simkit.strategy import find_strategy
from simkit.study.run import prepare, run_strategy

RESULTS = Path(__file__).parent / "results"
SET = Path(__file__).parents[1] / "cases" / "set"
COLUMNS = ("dent", "strategy", "bulk_mm", "cpu_dent_s", "cpu_repair_s", "steps", "minutes",
           "steps_roughed", "low_mm", "high_mm", "slope_mrad", "turn_mm", "turn_stored_pct",
           "outcome")
FINE_MM, BULK_MM, STEPS = 5.0, 10.0, 12


def main() -> None:
    """Carry out the rows that are missing and print all of them."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--dents", nargs="+", default=["bowl-2", "bowl-4", "overlapping"])
    parser.add_argument("--strategy", default="worst-spot-first")
    parser.add_argument("--table", type=Path, default=Path("two_meshes.csv"))
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--store", action="store_true")
    parser.add_argument("--forces", action="store_true")
    asked = parser.parse_args()
    if asked.forces:
        for element_mm in (BULK_MM, FINE_MM):
            print(f"elements of {element_mm:g} mm: {drawn_out_N('bowl-2', element_mm):.0f} N")
        return
    table = Table(RESULTS / "two_meshes.csv" if asked.store else asked.table, COLUMNS,
                  ("dent", "strategy", "bulk_mm"))
    for dent in asked.dents:
        for bulk_mm in ("", f"{BULK_MM:g}"):
            if not table.has(dent=dent, strategy=asked.strategy, bulk_mm=bulk_mm):
                row = table.add(**repaired(dent, asked.strategy, bulk_mm))
                if not asked.json:
                    print(", ".join(f"{key} {row[key]}" for key in COLUMNS), flush=True)
    if asked.json:
        print(json.dumps(table.rows))


def case_on(dent: str, mesh: dict[str, float], **blocks: dict[str, object]) -> Case:
    """A dent of the set with other sizes of elements, and other keys of some blocks."""
    case = load_case(SET / dent / "case.yaml")
    data = given(case)
    for name, keys in {"mesh": mesh, **blocks}.items():
        data[name] = {**data.get(name, {}), **keys}
    return make_case(data, case.folder, name=str(case.file))


def drawn_out_N(dent: str, element_mm: float) -> float:
    """Largest force of a pull of the deepest low to flush by a tab of 30 mm, N."""
    case = case_on(dent, {"fine_mm": element_mm})
    with tempfile.TemporaryDirectory() as folder:
        session = prepare(case, Path(folder) / "dent", 1, _quiet).session
        low = session.spots()[0]
        drawn = session.pull("round-30", low.x_mm, low.y_mm)
    return float(drawn.now.row.force_N)


def repaired(dent: str, strategy: str, bulk_mm: str) -> dict[str, object]:
    """One repair as a row."""
    sizes = {"fine_mm": FINE_MM, **({"bulk_mm": float(bulk_mm)} if bulk_mm else {})}
    case = case_on(dent, sizes, limits={"steps": STEPS}, goal={"stage": "roughed"})
    with tempfile.TemporaryDirectory() as folder:
        begin = time.process_time()
        start = prepare(case, Path(folder) / "dent", 1, _quiet, bulk=True)
        struck = time.process_time()
        done = run_strategy(start, find_strategy(strategy, case), Path(folder) / "run", _quiet)
        end = time.process_time()
        turn = next((step.row["reason"] for step in read_run(Path(folder) / "run").steps
                     if step.operation == FINER_MESH), "")
    return {"dent": dent, "strategy": strategy, "bulk_mm": bulk_mm, "cpu_dent_s": struck - begin,
            "cpu_repair_s": end - struck, "steps": done["steps"], "minutes": done["minutes"],
            "steps_roughed": done["steps_roughed"], "low_mm": done["max_low_mm"],
            "high_mm": done["max_high_mm"], "slope_mrad": done["slope_mrad"],
            **_of_turn(turn), "outcome": done["outcome"]}


def _of_turn(reason: str) -> dict[str, object]:
    """Largest change of height, mm, and change of stored energy, %, from the words of the row."""
    found = re.search(r"up to (\S+) mm.*stored energy (\S+) to (\S+) N mm", reason)
    if found is None:
        return {"turn_mm": "", "turn_stored_pct": ""}
    moved, before, after = (float(text) for text in found.groups())
    return {"turn_mm": moved, "turn_stored_pct": 100.0 * (after / before - 1.0)}


def _quiet(text: str) -> None:
    """Progress that nobody reads."""


if __name__ == "__main__":
    main()
