"""Small dents on small and large panels, all defaults: what was measured, what step 0 holds.

`python benchmarks/vanishing.py` reconstructs every dent and prints a row each; `--write` keeps the
rows in benchmarks/results/vanishing.csv (an interrupted run goes on there) and writes
docs/verification/vanishing.md. Exit code 1 if a dent was lost: called matched although it is not
there, or flat at step 0.
"""

from __future__ import annotations

import argparse
import csv
import json
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from simkit.case.load import load_case
from simkit.checks.deeper import check_case
from simkit.errors import InputError, InputErrors
from simkit.files import write_table
from simkit.history.reconstruct import reconstruct
from simkit.inspection.spots import find_spots
from simkit.repair.session import open_session
from simkit.repair.workpiece import make_workpiece
from simkit.study.run import SEARCH_ELEMENT_FACTOR

HERE = Path(__file__).resolve().parent
RESULTS = HERE / "results" / "vanishing.csv"
PAGE = HERE.parent / "docs" / "verification" / "vanishing.md"
COLUMNS = ("dent", "panel", "measured_mm", "held_mm", "lows_measured", "lows_held", "elements_mm",
           "rms_mm", "worst_mm", "verdict", "reason", "lost", "seconds")
SMALL: dict[str, Any] = {"surface": "flat", "length_x_mm": 300, "length_y_mm": 200}
LARGE: dict[str, Any] = {"surface": "curved", "radius_x_mm": 2500, "radius_y_mm": 1800,
                         "length_x_mm": 1200, "length_y_mm": 900}
FREE = dict.fromkeys(("left", "right", "bottom", "top"), "free")
SOFT = {side: {"spring_N_per_mm2": 0.02} for side in FREE}


@dataclass(frozen=True)
class Dent:
    """A described dent on a panel; everything else is simkit's default."""

    name: str
    shapes: tuple[dict[str, Any], ...]
    panel: dict[str, Any] = field(default_factory=lambda: SMALL)

    @property
    def panel_words(self) -> str:
        """Size, curvature and edges, for the table."""
        p = self.panel
        edges = p.get("edges")
        held = "" if edges is None else ", free edges" if edges == FREE else ", soft springs"
        return f"{p['length_x_mm']} x {p['length_y_mm']} mm, {p['surface']}{held}"


def bowl(width: float, depth: float, x: float = 0.0, y: float = 0.0,
         crown: float = 0.0) -> dict[str, Any]:
    """A round bowl."""
    return {"kind": "bowl", "x_mm": x, "y_mm": y, "length_mm": width, "width_mm": width,
            "depth_mm": depth, "crown_mm": crown}


def crease(length: float, width: float, depth: float) -> dict[str, Any]:
    """A crease, lying askew."""
    return {"kind": "crease", "x_mm": 10.0, "y_mm": -5.0, "length_mm": length, "width_mm": width,
            "depth_mm": depth, "angle_deg": 25.0}


def hail(width: float, depth: float, apart: float) -> tuple[dict[str, Any], ...]:
    """Four bowls, none of them in a row with another."""
    at = ((-0.5, -0.37), (0.47, -0.5), (0.5, 0.41), (-0.43, 0.5))
    return tuple(bowl(width, depth, apart * x, apart * y) for x, y in at)


def dents() -> list[Dent]:
    """All dents of the table; invented."""
    found = []
    for panel in (SMALL, LARGE):
        found += [Dent(f"bowl {depth:g} x {width:g}", (bowl(width, depth, 3.0, -2.0),), panel)
                  for width in (8, 15, 25, 40) for depth in (0.15, 0.3, 0.5, 1.0)
                  if depth <= 0.06 * width]
        found += [Dent("crease 0.3 x 40 x 10", (crease(40, 10, 0.3),), panel),
                  Dent("crease 0.8 x 60 x 16", (crease(60, 16, 0.8),), panel),
                  Dent("hail 4 x 0.25 x 15", hail(15, 0.25, 90), panel),
                  Dent("hail 4 x 0.4 x 20", hail(20, 0.4, 120), panel)]
    found += [Dent(f"bowl 1.5 x 50{word}", (bowl(50, 1.5, 0.0, 0.0, 0.1),),
                   {**SMALL, "edges": edges})
              for word, edges in ((", free", FREE), (", soft springs", SOFT))]
    return found


def case_of(dent: Dent, folder: Path) -> Path:
    """Case file with all defaults."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "case.yaml").write_text(json.dumps({
        "format": 1, "title": dent.name, "about": "Invented for the table of small dents.",
        "panel": {**dent.panel, "thickness_mm": 0.8, "grade": "DC04"},
        "dent": {"shapes": list(dent.shapes)}, "strategies": ["crown-first"],
        "kit": {"tabs": ["round-25"], "tips": ["ball-12"], "glue": "standard-hot-melt"}}), "utf-8")
    return folder


def row_of(dent: Dent, folder: Path) -> dict[str, str]:
    """Reconstruct one dent; what was measured, what step 0 holds, whether it was lost."""
    start = time.process_time()
    row = dict.fromkeys(COLUMNS, "") | {"dent": dent.name, "panel": dent.panel_words,
                                        "lost": "no"}
    deepest = max(float(shape["depth_mm"]) for shape in dent.shapes)
    row |= {"measured_mm": f"{-deepest:.2f}", "lows_measured": str(len(dent.shapes))}
    try:
        check_case(str(case_of(dent, folder)))
    except (InputError, InputErrors) as error:
        reason = " ".join(str(error).split(": ", 1)[1].split())
        return row | {"verdict": "refused", "reason": reason,
                      "seconds": f"{time.process_time() - start:.0f}"}
    case = load_case(folder)
    work = make_workpiece(case)
    done = reconstruct(work, make_workpiece(case, coarser=SEARCH_ELEMENT_FACTOR))
    session = open_session(work, done.state, matched=done.matched)
    assert done.match is not None
    lows = [s for s in find_spots(session.now.field, case.goal.tolerance_mm) if s.kind == "low"]
    held = work.close.field(done.state).d_mm
    lost = session.now.row.flat or (done.matched and len(lows) < len(dent.shapes))
    finest = min(float((b[1:] - b[:-1]).min()) for b in (
        work.model.patch.basis_u.breaks, work.model.patch.basis_v.breaks))
    return row | {
        "held_mm": f"{held.min():.2f}", "lows_held": str(len(lows)),
        "elements_mm": f"{finest:.1f}", "rms_mm": f"{done.rms_mm:.3f}",
        "worst_mm": f"{done.worst_mm:.2f}",
        "verdict": "matched" if done.matched else "not matched", "reason": done.match.reason,
        "lost": "yes" if lost else "no", "seconds": f"{time.process_time() - start:.0f}"}


def kept() -> list[dict[str, str]]:
    """Rows of an earlier or interrupted run."""
    if not RESULTS.exists():
        return []
    with open(RESULTS, newline="", encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if tuple(row) == COLUMNS]


def page(rows: list[dict[str, str]]) -> str:
    """The manual's page."""
    count = {word: sum(row["verdict"] == word for row in rows)
             for word in ("matched", "not matched", "refused")}
    lost = sum(row["lost"] == "yes" for row in rows)
    lines = [
        "# Does a small dent vanish?", "",
        f"{len(rows)} of {len(dents())} described dents with all defaults (0.8 mm DC04, elements "
        "of 4 mm at the dent): "
        f"{count['matched']} reconstructed and found again, {count['not matched']} said to be not "
        f"matched, {count['refused']} refused, **{lost} lost**. Lost would be: called matched or "
        "flat although a low that was measured is not in the panel at step 0.", "",
        "A reconstruction is judged where the damage is. Every low and high of the measured field "
        "beyond the goal's tolerance must be found in the panel: an extreme of its sign within "
        "its half height, itself beyond the tolerance, its height within the tolerance or 10 %; "
        "the rms difference in the damage at most `history.match_mm` or 2 % of the depth; nothing "
        "may stand out where nothing was measured. It is read on a grid with eight steps "
        "across the narrowest spot at half its height; where the mesh has fewer than 2.5 elements "
        "there, it is made finer by itself, and a line says so. What cannot be matched ends "
        "with `depth field not matched`, exit code 4.", "",
        "Dents are named by depth x width (creases: depth x length x width), all mm.", "",
        "| dent | panel | measured | step 0 holds | lows | finest element | rms | worst "
        "| verdict |",
        "|---|---|---|---|---|---|---|---|---|"]
    for row in rows:
        why = f": {row['reason']}" if row["reason"] else ""
        lines.append(f"| {row['dent']} | {row['panel']} | {row['measured_mm']} | "
                     f"{row['held_mm'] or '-'} | {row['lows_held'] or '-'} of "
                     f"{row['lows_measured']} | {row['elements_mm'] or '-'} | "
                     f"{row['rms_mm'] or '-'} | {row['worst_mm'] or '-'} | "
                     f"{row['verdict']}{why} |")
    return "\n".join([*lines, "", "Made by `python benchmarks/vanishing.py --write`; with the "
                      "seconds of the processor in `benchmarks/results/vanishing.csv`.", ""])


def main() -> int:
    """Read the options; 1 if a dent was lost."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="keep rows and write the page")
    parser.add_argument("--fresh", action="store_true", help="forget rows kept before")
    parser.add_argument("--only", metavar="TEXT", default="", help="dents whose name holds TEXT")
    options = parser.parse_args()
    rows = [] if options.fresh or not options.write else kept()
    known = {(row["dent"], row["panel"]): row for row in rows}
    for dent in dents():
        key = (dent.name, dent.panel_words)
        if options.only not in dent.name or key in known:
            continue
        with tempfile.TemporaryDirectory() as folder:
            known[key] = row = row_of(dent, Path(folder))
        print(f"{row['dent']:24s} {row['panel']:36s} {row['held_mm']:>6s} of "
              f"{row['measured_mm']} mm, {row['rms_mm']} rms: {row['verdict']} {row['reason']}"
              f"{' LOST' if row['lost'] == 'yes' else ''} ({row['seconds']} s)", flush=True)
        if options.write:
            ordered = [known[k] for d in dents() if (k := (d.name, d.panel_words)) in known]
            write_table(RESULTS, COLUMNS, ordered)
    rows = [known[k] for d in dents() if (k := (d.name, d.panel_words)) in known]
    if options.write:
        PAGE.write_text(page(rows), "utf-8")
    return int(any(row["lost"] == "yes" for row in rows))


if __name__ == "__main__":
    sys.exit(main())
