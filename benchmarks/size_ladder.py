"""Size ladder: struck dents of known history from 1 to 40 mm, reconstructed from noisy readings.

Run: python benchmarks/size_ladder.py [--only NAME ...] [--fresh]
     python benchmarks/size_ladder.py --page          (the table of docs/reconstruction.md)

Every dent is struck by simkit on a mesh of its own, another one than that of the reconstruction,
and read at some hundred scattered places and at its deepest and highest with noise of 0.02 mm;
nothing else is handed over but the panel. Compared are the whole deviation inside the damage
(against the truth without noise), what a pull at the deepest place does next (the field of the
change, rms over the true change's rms) and a tap on the highest crown, both driven by the same
travel on the true and the reconstructed panel. ``mesh_error_pct`` is the pull's error where the
true history itself is struck on the mesh of the reconstruction, which no search can better.

Rungs are kept in benchmarks/results/size_ladder.csv as they are finished and are not computed
again; --fresh forgets those kept before it begins. The dents are invented. Truth: OWN (the engine
itself with the true history; what is tested is the reconstruction); one mesh differs from the
other, the formulation does not.
"""

from __future__ import annotations

import argparse
import csv
import json
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from simkit.case.load import load_case
from simkit.files import write_table
from simkit.history.given import Struck, field_of_state, strike_given
from simkit.history.reconstruct import Reconstruction, reconstruct
from simkit.inspection.sampling import point_on
from simkit.mechanics.contact.attach import glue_tab, set_tip
from simkit.mechanics.model import State
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Load
from simkit.repair.operations import PULLING, SETTINGS
from simkit.repair.workpiece import Workpiece, make_workpiece
from simkit.tool.catalogue import find_glue, find_tab, find_tip

RESULTS = Path(__file__).parent / "results" / "size_ladder.csv"
PAGE = Path(__file__).parent.parent / "docs" / "reconstruction.md"
MARKS = ("<!-- ladder -->\n", "<!-- end of ladder -->")
COLUMNS = ("dent", "depth_mm", "grade", "brace", "matched", "rms_mm", "worst_mm", "cpu_s",
           "response_error_pct", "tap_error_pct", "mesh_error_pct", "surplus_mm2", "note")
NOISE_MM, TAP_MM = 0.02, 1.5
GLUE = {"name": "made up, never lets go", "tension_MPa": 50.0, "tension_energy_N_per_mm": 900.0,
        "shear_energy_N_per_mm": 900.0}
STEEL: dict[str, Any] = {"grade": "DC04", "thickness_mm": 0.75}
ALU: dict[str, Any] = {"grade": "AA6016-T4", "thickness_mm": 1.0}
FLAT: dict[str, Any] = {"surface": "flat", "length_x_mm": 240, "length_y_mm": 220}
SINGLE: dict[str, Any] = {"surface": "curved", "length_x_mm": 260, "length_y_mm": 240,
                          "radius_y_mm": 900}
DOUBLE: dict[str, Any] = {"surface": "curved", "length_x_mm": 260, "length_y_mm": 240,
                          "radius_x_mm": 1200, "radius_y_mm": 600}
DEEP: dict[str, Any] = {"surface": "curved", "length_x_mm": 600, "length_y_mm": 400,
                        "radius_x_mm": 1200, "radius_y_mm": 600}
TIGHT: dict[str, Any] = {"surface": "curved", "length_x_mm": 600, "length_y_mm": 420,
                         "radius_x_mm": 800, "radius_y_mm": 400}
SNAPPY: dict[str, Any] = {"surface": "curved", "length_x_mm": 900, "length_y_mm": 600,
                          "radius_x_mm": 2500, "radius_y_mm": 900}


@dataclass(frozen=True)
class Rung:
    """A dent: panel, sheet, blows (case keys), whether a brace stands behind it, element size."""

    name: str
    panel: dict[str, Any]
    sheet: dict[str, Any]
    blows: tuple[dict[str, Any], ...]
    brace: bool = False
    fine_mm: float = 7.0


def ball(radius: float, x: float, y: float, **end: float) -> dict[str, Any]:
    """A ball's blow."""
    return {"body": "ball", "radius_mm": radius, "x_mm": x, "y_mm": y, **end}


def long_body(radius: float, length: float, x: float, y: float, angle: float,
              **end: float) -> dict[str, Any]:
    """A cylinder's blow."""
    return {"body": "cylinder", "radius_mm": radius, "length_mm": length, "x_mm": x, "y_mm": y,
            "angle_deg": angle, **end}


def face(length: float, width: float, x: float, y: float, angle: float,
         **end: float) -> dict[str, Any]:
    """A flat face's blow."""
    return {"body": "block", "radius_mm": 5, "length_mm": length, "width_mm": width, "x_mm": x,
            "y_mm": y, "angle_deg": angle, **end}


RUNGS = (
    Rung("ball-1-flat", FLAT, STEEL, (ball(20, 6, -4, depth_mm=1),), fine_mm=4.5),
    Rung("ball-2-double-alu", DOUBLE, ALU, (ball(20, 5, 8, depth_mm=2),)),
    Rung("cylinder-2-single", SINGLE, STEEL, (long_body(15, 80, 0, 0, 30, depth_mm=2),)),
    Rung("ball-4-double-brace", DOUBLE, STEEL, (ball(25, -5, 6, depth_mm=4),), True),
    Rung("ball-4-flat-alu", FLAT, ALU, (ball(30, 0, 5, depth_mm=4),)),
    Rung("ball-8-double", DEEP, STEEL, (ball(30, 30, -20, travel_mm=12),), fine_mm=10.0),
    Rung("cylinder-8-tight-alu", TIGHT, ALU, (long_body(20, 100, -20, 10, 25, travel_mm=12),),
         fine_mm=10.0),
    Rung("block-8-tight-brace", TIGHT, STEEL, (face(70, 45, 20, 10, 15, travel_mm=12),), True,
         10.0),
    Rung("ball-15-double", DEEP, STEEL, (ball(40, 20, 10, travel_mm=18),), fine_mm=12.0),
    Rung("cylinder-15-tight-alu", TIGHT, ALU, (long_body(25, 120, 10, -15, -20, travel_mm=18),),
         fine_mm=12.0),
    Rung("two-balls-15-tight", TIGHT, STEEL, (ball(40, -75, 10, travel_mm=17),
                                               ball(35, 80, -10, travel_mm=15)), fine_mm=12.0),
    Rung("ball-16-snapped", SNAPPY, STEEL, (ball(60, 30, -20, travel_mm=24),), fine_mm=14.0),
    Rung("ball-25-tight-brace", TIGHT, STEEL, (ball(50, 10, 20, travel_mm=28),), True, 12.0),
    Rung("cylinder-25-double", DEEP, STEEL, (long_body(40, 120, 15, -10, 35, travel_mm=28),),
         fine_mm=12.0),
    Rung("ball-40-tight-brace", TIGHT, STEEL, (ball(70, 0, 10, travel_mm=42),), True, 12.0),
    Rung("ball-40-tight-alu", TIGHT, ALU, (ball(80, 15, 0, travel_mm=42),), fine_mm=12.0),
)


def case_of(rung: Rung, folder: Path, fine_mm: float, dent: dict[str, Any]) -> Path:
    """A case file of a rung; JSON is YAML."""
    edges = dict.fromkeys(("left", "right", "bottom", "top"), "held")
    panel = {**rung.panel, **rung.sheet, "edges": edges}
    if rung.brace:
        high = 0.28 * panel["length_y_mm"]
        panel["supports"] = [{"name": "stiffener", "shape": "line", "x_mm": 0, "y_mm": high,
                              "length_mm": 0.6 * panel["length_x_mm"], "width_mm": 15,
                              "stiffness_N_per_mm3": 0.5, "gap_mm": 0.5}]
    text = {"format": 1, "title": rung.name, "about": "Invented for the size ladder.",
            "panel": panel, "mesh": {"fine_mm": fine_mm, "coarse_mm": max(3.0 * fine_mm, 25.0)},
            "dent": dent, **({} if "blows" in dent else {"history": {"search": "travel"}}),
            "kit": {"tabs": ["round-30"], "tips": ["ball-12"], "glue": "standard-hot-melt"}}
    (folder / "case.yaml").write_text(json.dumps(text), encoding="utf-8")
    return folder


def true_panel(rung: Rung, folder: Path) -> tuple[Workpiece, Struck]:
    """The panel after its true history, on a mesh of its own."""
    work = make_workpiece(load_case(case_of(rung, folder, 0.86 * rung.fine_mm,
                                            {"blows": list(rung.blows)})))
    assert work.case.dent is not None
    return work, strike_given(work, work.case.dent.blows or ())


def readings_of(work: Workpiece, state: State, name: str) -> np.ndarray:
    """Scattered noisy readings (n, 3) over the damage: x, y, d, mm."""
    rng = np.random.default_rng(sum((k + 1) * ord(c) for k, c in enumerate(name)))
    field, seen = field_of_state(work, state), work.sampling.field(state)
    depth = float(np.nanmax(np.abs(seen.d_mm)))
    rows, columns = np.nonzero(np.abs(seen.d_mm) > max(0.05, 0.01 * depth))
    box = (seen.x_mm[columns.min()], seen.x_mm[columns.max()], seen.y_mm[rows.min()],
           seen.y_mm[rows.max()])
    sides = 12
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(*box[:2], sides),
                                           np.linspace(*box[2:], sides - 1)))
    shake = 0.2 * min((box[1] - box[0]) / sides, (box[3] - box[2]) / sides)
    x, y = (np.clip(a + rng.uniform(-shake, shake, a.shape), b[0], b[1])
            for a, b in ((x, box[:2]), (y, box[2:])))
    for k in (np.nanargmin(seen.d_mm), np.nanargmax(seen.d_mm)):  # nobody leaves those out
        row, column = np.unravel_index(int(k), seen.d_mm.shape)
        x, y = np.append(x, seen.x_mm[column]), np.append(y, seen.y_mm[row])
    return np.stack([x, y, field(x, y) + rng.normal(0.0, NOISE_MM, x.shape)], axis=1)


def change_by(work: Workpiece, state: State, place: tuple[float, float], travel: float,
              pulling: bool, at: tuple[np.ndarray, np.ndarray]) -> np.ndarray | None:
    """Change of the deviation at places by a pull or a tap of a travel; None without a balance."""
    here, normal = point_on(work.model, state, *place)
    if pulling:
        tool = glue_tab(work.model, state, find_tab("round-30"), find_glue(GLUE), here, normal)
    else:
        tool = set_tip(work.model, state, find_tip("ball-12").body, here, -normal, travel)
    done = advance(work.model, state, Load(tool, travel), PULLING if pulling else SETTINGS)
    if not done.outcome.valid:
        return None
    return field_of_state(work, done.state)(*at) - field_of_state(work, state)(*at)


def errors_of(truth: Workpiece, true: State, work: Workpiece, state: State
              ) -> tuple[float, float, float, float]:
    """rms and worst of the deviation inside the damage, mm; errors of a pull and a tap, %."""
    seen = truth.sampling.field(true)
    xx, yy = np.meshgrid(seen.x_mm, seen.y_mm)
    depth = float(np.nanmax(np.abs(seen.d_mm)))
    inside = seen.on_panel & (np.abs(seen.d_mm) > max(0.05, 0.01 * depth))
    x, y = xx[inside], yy[inside]
    gap = field_of_state(work, state)(x, y) - seen.d_mm[inside]
    k, top = int(np.argmin(seen.d_mm[inside])), int(np.argmax(seen.d_mm[inside]))
    changes = []
    for at, travel, pulling in ((k, 0.4 * depth + 1.0, True), (top, TAP_MM, False)):
        place = (float(x[at]), float(y[at]))
        pair = [change_by(w, s, place, travel, pulling, (x, y))
                for w, s in ((truth, true), (work, state))]
        if pair[0] is None or pair[1] is None:
            changes.append(float("nan"))
            continue
        size = float(np.sqrt(np.mean(pair[0] ** 2)))
        changes.append(100.0 * float(np.sqrt(np.mean((pair[1] - pair[0]) ** 2))) / max(size, 1e-9))
    return float(np.sqrt(np.mean(gap**2))), float(np.abs(gap).max()), changes[0], changes[1]


def climb(rung: Rung, folder: Path) -> dict[str, str]:
    """The row of one rung."""
    truth, struck = true_panel(rung, folder)
    readings = readings_of(truth, struck.state, rung.name)
    np.savetxt(folder / "depth.csv", readings, delimiter=",", header="x_mm,y_mm,d_mm", comments="",
               fmt="%.3f")
    case = load_case(case_of(rung, folder, rung.fine_mm,
                             {"points_csv": "depth.csv", "noise_mm": NOISE_MM}))
    start = time.process_time()
    work = make_workpiece(case)
    fit = make_workpiece(case, coarser=1.6)
    done = reconstruct(work, fit, lambda text: print("   ", text, flush=True))
    spent = time.process_time() - start
    rms, worst, pulled, tapped = errors_of(truth, struck.state, work, done.state)
    again = make_workpiece(case)  # without a brace bent along
    blows = load_case(case_of(rung, folder, rung.fine_mm, {"blows": list(rung.blows)})).dent.blows
    floor = errors_of(truth, struck.state, again, strike_given(again, blows).state)[2]
    depth = float(np.abs(truth.sampling.field(struck.state).d_mm).max())
    return {"dent": rung.name, "depth_mm": f"{depth:.2f}", "grade": rung.sheet["grade"],
            "brace": "yes" if rung.brace else "no", "matched": "yes" if done.matched else "no",
            "rms_mm": f"{rms:.4f}", "worst_mm": f"{worst:.3f}", "cpu_s": f"{spent:.0f}",
            "response_error_pct": percent(pulled), "tap_error_pct": percent(tapped),
            "mesh_error_pct": percent(floor),
            "surplus_mm2": f"{struck.stretch_mm2:.1f}", "note": note_of(done, struck, pulled)}


def percent(value: float) -> str:
    """A per cent, empty where there is none."""
    return "" if np.isnan(value) else f"{value:.1f}"


def note_of(done: Reconstruction, struck: Struck, pulled: float) -> str:
    """What stopped it, what was taken."""
    words = [" then ".join(blow.words() for blow in done.blows) or done.method]
    if done.rounds:
        words.append(f"{done.rounds} rounds of imprint")
    if struck.faults:
        words.append("truth not as asked")
    if np.isnan(pulled):
        words.append("the pull found no balance")
    return "; ".join(words)


def main() -> None:
    """Climb the rungs that are not stored yet."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="*", default=None)
    parser.add_argument("--fresh", action="store_true")
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    if options.page:
        write_page()
        return
    if options.fresh:
        RESULTS.unlink(missing_ok=True)
    for rung in RUNGS:
        if options.only is not None and rung.name not in options.only:
            continue
        if rung.name in {row["dent"] for row in stored()}:
            continue
        print(rung.name, flush=True)
        with tempfile.TemporaryDirectory() as folder:
            row = climb(rung, Path(folder))
        kept = {one["dent"]: one for one in stored()} | {row["dent"]: row}
        write_table(RESULTS, COLUMNS, [kept[r.name] for r in RUNGS if r.name in kept])
        print("   ", row, flush=True)


def write_page() -> None:
    """The table of the page, and what it comes to."""
    rows, text = stored(), PAGE.read_text(encoding="utf-8")
    lines = ["| dent | depth mm | grade | brace | matched | rms, worst mm | processor s | error of "
             "the next pull % | of a tap % | of the pull by the mesh alone % |",
             "|---|---|---|---|---|---|---|---|---|---|"]
    lines += [f"| {r['dent']} | {r['depth_mm']} | {r['grade']} | {r['brace']} | {r['matched']} | "
              f"{float(r['rms_mm']):.3f}, {float(r['worst_mm']):.2f} | {r['cpu_s']} | "
              f"{r['response_error_pct'] or 'no balance'} | {r['tap_error_pct'] or 'no balance'} | "
              f"{r['mesh_error_pct'] or 'no balance'} |" for r in rows]
    pulls = [float(r["response_error_pct"]) for r in rows if r["response_error_pct"]]
    matched = sum(r["matched"] == "yes" for r in rows)
    lines += ["", f"{len(rows)} of {len(RUNGS)} rungs climbed, {matched} matched; error of the "
              f"next pull {np.median(pulls):.0f} % in the median, {max(pulls):.0f} % at worst; "
              f"at most {max(float(r['cpu_s']) for r in rows):.0f} s of the processor.", ""]
    before, after = text.split(MARKS[0])[0], text.split(MARKS[1])[1]
    PAGE.write_text(before + MARKS[0] + "\n".join(lines) + MARKS[1] + after, encoding="utf-8")


def stored() -> list[dict[str, str]]:
    """Rows kept so far."""
    if not RESULTS.exists():
        return []
    with open(RESULTS, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


if __name__ == "__main__":
    main()
