"""How much a tab carries, and what it lifts, by its diameter.

Run: python benchmarks/tab_size.py [--quick] [--glues NAME,...] [--table FILE]

Round tabs of 8 to 60 mm, plates of 5 mm and 2500 MPa (rigid ones for comparison on the flat),
glues of the catalogue (all sizes on all panels for the first, four sizes on the dent and the stiff
panel for the others); a flat stiff panel (steel, 3 mm, elastic by its thickness), a flat outer
panel (DC04, 0.75 mm), and the dent of benchmarks/one_pull.py (4.2 mm deep, struck). The flat ones
are pulled until the glue lets go, the dent until it would sit flush. No limit of force. Stored in
results/tab_size.csv: dent, glue, diameter_mm, peak_force_N, area_left_pct (not parted at the end
of the pull), lifted_mm (of the middle, after release), ring_mm (how much higher the highest place
of the panel became), ended_by.

The answer is right when on the flat stiff panel every peak lies between the force at which the
rim begins to soften and area times strength.
"""

from __future__ import annotations

import argparse
import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from common import say
from one_pull import CURVATURE, dented

from simkit.inspection.sampling import make_sampling, point_on, probe_at
from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import glue_tab
from simkit.mechanics.model import Model, State, build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import HELD, SIDES
from simkit.panel.surface import Curvature, Window, rectangle_patch
from simkit.tool.catalogue import find_glue
from simkit.tool.tabs import Tab

STORED = Path(__file__).parent / "results" / "tab_size.csv"
DIAMETERS_MM = (8, 12, 16, 20, 25, 30, 40, 50, 60)
FEW_MM = (8, 16, 30, 60)
GLUES = ("standard-hot-melt", "warm-melt", "cold-tack", "weak-hot-melt", "strong-hot-melt")
HALF_MM = 160.0
FINE, COARSE, WINDOW = 4.0, 12.0, Window(-45.0, 45.0, -45.0, 45.0)
STEPS = AdvanceSettings(first_mm=0.02, largest_mm=0.25)


@dataclass(frozen=True)
class Place:
    """A panel as it is pulled; ``goal_mm`` None: until the glue lets go."""

    name: str
    model: Model
    state: State
    goal_mm: float | None
    rigid: bool = False


def panel(curvature: Curvature, thickness_mm: float) -> Model:
    """A held panel with fine elements under the tab."""
    side = (-HALF_MM, HALF_MM)
    patch = rectangle_patch(side, side, curvature, FINE, COARSE, window=WINDOW)
    return build_model(patch, load_grade("DC04").sheet(), thickness_mm,
                       dict.fromkeys(SIDES, HELD), 5)


def places() -> list[Place]:
    """The panels, flat and dented."""
    flat = Curvature(np.inf, np.inf)
    stiff, thin, curved = panel(flat, 3.0), panel(flat, 0.75), panel(CURVATURE, 0.75)
    return [Place("struck, 4.2 mm", curved, dented(curved).state, 0.0),
            Place("none, flat 3 mm", stiff, stiff.virgin(), None),
            Place("none, flat 0.75 mm", thin, thin.virgin(), None),
            Place("none, flat 3 mm, rigid tab", stiff, stiff.virgin(), None, rigid=True)]


def measure(place: Place, glue: str, diameter: float) -> tuple[dict, tuple[float, float]]:
    """One pull: its row; the force at which the glue began to soften, and area times strength."""
    model, state = place.model, place.state
    tab = Tab(f"round-{diameter}", "round", diameter, diameter,
              *(() if place.rigid else (0.0, 5.0, 2500.0)))
    at, normal = point_on(model, state, 0.0, 0.0)
    law = find_glue(glue)
    tool = glue_tab(model, state, tab, law, at, normal)
    probe = probe_at(model, 0.0, 0.0)
    done = advance(model, state, Load(tool, 25.0, probe=probe, goal_mm=place.goal_mm), STEPS)
    read = make_sampling(model.patch, (-HALF_MM, HALF_MM, -HALF_MM, HALF_MM), 2.0)
    before, after = read.field(state).d_mm, read.field(done.state).d_mm
    whole = [point.force_N for point in done.path if point.damage == 0.0]
    row = {"dent": place.name, "glue": glue, "diameter_mm": diameter,
           "peak_force_N": round(done.force_N, 1),
           "area_left_pct": round(100.0 * (1.0 - done.path[-1].parted), 1),
           "lifted_mm": round(probe.read(done.state.displacement)
                              - probe.read(state.displacement), 3),
           "ring_mm": round(float(np.nanmax(after) - np.nanmax(before)), 3),
           "ended_by": done.outcome.value}
    return row, (max(whole, default=0.0), law.holds_N(tab.area_mm2))


def stored(file: Path) -> list[dict]:
    """Rows measured before."""
    if not file.exists():
        return []
    with open(file, newline="") as text:
        return list(csv.DictReader(text))


def store(rows: list[dict], file: Path) -> None:
    """Keep what has been measured so far."""
    with open(file, "w", newline="") as text:
        table = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(rows)


def main() -> int:
    """Measure, print, store; 1 if a peak lies outside its bounds."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="one glue, three sizes, not stored")
    parser.add_argument("--glues", default=",".join(GLUES), help="names, with commas between")
    parser.add_argument("--table", type=Path, default=STORED, help="goes on where it stopped")
    asked = parser.parse_args()
    quick, glues = asked.quick, asked.glues.split(",")
    rows, ok, held = [] if quick else stored(asked.table), True, places()
    done = {(row["dent"], row["glue"], str(row["diameter_mm"])) for row in rows}
    print("dent                        glue               mm    softens at   peak   area x strength"
          "  left %  lifted    ring  ended by")
    for glue in glues[:1] if quick else glues:
        whole = glue == GLUES[0]
        for place in held if whole else (held[0], held[1]):
            for diameter in (8, 30, 60) if quick else DIAMETERS_MM if whole else FEW_MM:
                if (place.name, glue, str(diameter)) in done:
                    continue
                row, (low, high) = measure(place, glue, diameter)
                rows.append(row)
                print(f"{place.name:27s} {glue:18s}{diameter:3d} {low:12.0f}"
                      f"{row['peak_force_N']:8.0f}{high:14.0f}{row['area_left_pct']:10.0f}"
                      f"{row['lifted_mm']:10.3f}{row['ring_mm']:8.3f}  {row['ended_by']}",
                      flush=True)
                if place.name.startswith("none, flat 3"):
                    ok &= low <= row["peak_force_N"] <= 1.01 * high
                if not quick:
                    store(rows, asked.table)
    say(f"every peak on the stiff panel within its bounds: {ok}")
    return 0 if ok else 1


if __name__ == "__main__":
    raise SystemExit(main())
