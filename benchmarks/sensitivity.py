"""Mesh, layer, step, degree and penalty: what each does to a dent, a tap on its crown, a pull.

Run: python benchmarks/sensitivity.py [--quick] [--fresh] [--json] [--draw]

One whole sequence on the reference panel (320 x 320 mm, radii 1200 and 600 mm, 0.75 mm DC04, held
edges): a ball of radius 25 mm pressed in by 8 mm and released; the crown tapped down at (0, 68) mm
with a ball of radius 12 mm driven 1.5 mm; the middle pulled 3 mm by a round tab of 30 mm. Travels
are prescribed, so that nothing hides an error by stopping at a goal. The glue is made up and never
lets go.

From a base (5 mm elements round the dent, 5 layers, degree 2, increments up to 0.25 mm in the blow
and in the others, the contact's own penalty) one setting is changed at a time; the finest run takes
the finest of all, and every error is a difference from it. Results go to
results/sensitivity.csv and, with the figure, into docs/verification/sensitivity.md between its
table marks. A broken run goes on where it stopped (results/sensitivity.part.csv); --fresh starts
over. --quick prints four coarse runs and stores nothing. --draw only draws and writes the page from
the stored numbers.
"""

from __future__ import annotations

import argparse
import csv
import json
import sys
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sensitivity_page import write_page

from simkit.inspection.sampling import make_sampling, point_on, probe_at
from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import glue_tab, set_tip
from simkit.mechanics.contact.tips import STIFFNESS_MPA_PER_MM
from simkit.mechanics.model import Model, State, build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.panel.edges import HELD, SIDES
from simkit.panel.surface import Curvature, Window, rectangle_patch
from simkit.tool.bodies import RigidBody, ball
from simkit.tool.catalogue import find_glue, find_tab, find_tip

Array = NDArray[np.float64]
RESULTS = Path(__file__).parent / "results"
STORED, PART = RESULTS / "sensitivity.csv", RESULTS / "sensitivity.part.csv"
HALF_MM, WINDOW_MM, COARSER, THICKNESS_MM = 160.0, 80.0, 4.0, 0.75
BALL_MM, BLOW_MM = 25.0, 8.0
TAP_TIP, TAP_AT_MM, TAP_MM = "ball-12", 68.0, 1.5
TAB, PULL_MM = "round-30", 3.0
GLUE = {"name": "made up, never lets go", "tension_MPa": 50.0, "tension_energy_N_per_mm": 900.0,
        "shear_energy_N_per_mm": 900.0}


@dataclass(frozen=True)
class Setting:
    """What is varied: element size round the dent, layers, largest increment of the blow and of
    tap and pull, degree, contact penalty (MPa per mm) from which simkit starts."""

    element_mm: float = 5.0
    layers: int = 5
    blow_increment_mm: float = 0.25
    increment_mm: float = 0.25
    degree: int = 2
    penalty_MPa_mm: float = STIFFNESS_MPA_PER_MM


BASE = Setting()
VARIED: dict[str, tuple[float, ...]] = {
    "element_mm": (8.0, 5.0, 3.5, 2.5), "layers": (3, 5, 7, 9),
    "blow_increment_mm": (1.0, 0.5, 0.25, 0.1, 0.05), "increment_mm": (1.0, 0.5, 0.25, 0.1),
    "degree": (2, 3),
    "penalty_MPa_mm": (0.25 * STIFFNESS_MPA_PER_MM, STIFFNESS_MPA_PER_MM,
                       4.0 * STIFFNESS_MPA_PER_MM)}
FINEST = Setting(2.5, 9, 0.05, 0.1, 3)
CANDIDATES = (Setting(8.0, 3, 0.5, 0.5), Setting(8.0, 5, 1.0, 0.5), Setting(8.0, 5, 0.1, 0.25),
              Setting(3.5, 5, 0.1, 0.25), Setting(5.0, 5, 0.1, 0.25, 3),
              Setting(3.5, 7, 0.1, 0.1, 3))
"""Combinations that might make a better default."""


@dataclass(frozen=True)
class Row:
    """One sequence. Deviations and their changes in mm along the undamaged normal.

    dent_mm, crown_mm : depth of the middle and highest place after the blow; tap_place_mm,
    tap_centre_mm : change of the tapped place and of the middle by the tap; pull_centre_mm : change
    of the middle by the pull; end_mm : what is left in the middle; forces are peaks; energy_pct :
    largest error of the energy balance; penetration_mm : deepest; cpu_s : processor seconds of
    the three operations with the model's set-up; outcome : of all three.
    """

    element_mm: float
    layers: int
    blow_increment_mm: float
    increment_mm: float
    degree: int
    penalty_MPa_mm: float
    equations: int
    dent_mm: float
    crown_mm: float
    tap_place_mm: float
    tap_centre_mm: float
    pull_centre_mm: float
    end_mm: float
    blow_N: float
    tap_N: float
    pull_N: float
    energy_pct: float
    penetration_mm: float
    iterations: int
    cpu_s: float
    outcome: str

    @property
    def setting(self) -> Setting:
        """What it was made with."""
        return Setting(**{f.name: getattr(self, f.name) for f in fields(Setting)})


def panel(setting: Setting) -> Model:
    """The reference panel, fine round the dent."""
    side = (-HALF_MM, HALF_MM)
    near = (-WINDOW_MM, WINDOW_MM)
    patch = rectangle_patch(side, side, Curvature(1200.0, 600.0), setting.element_mm,
                            COARSER * setting.element_mm, setting.degree, Window(*near, *near))
    return build_model(patch, load_grade("DC04").sheet(), THICKNESS_MM,
                       dict.fromkeys(SIDES, HELD), setting.layers)


def press(model: Model, state: State, body: RigidBody, y_mm: float, travel_mm: float,
          setting: Setting, increment_mm: float) -> Advance:
    """Drive a body into the sheet at (0, y) by a travel and take it away."""
    place, normal = point_on(model, state, 0.0, y_mm)
    tip = set_tip(model, state, body, place, -normal, travel_mm)
    tip = replace(tip, contact=replace(tip.contact, stiffness=setting.penalty_MPa_mm))
    return advance(model, state, Load(tip, travel_mm), _steps(increment_mm))


def pull(model: Model, state: State, setting: Setting) -> Advance:
    """Pull the middle by a travel and let go."""
    place, normal = point_on(model, state, 0.0, 0.0)
    tool = glue_tab(model, state, find_tab(TAB), find_glue(GLUE), place, normal)
    return advance(model, state, Load(tool, PULL_MM), _steps(setting.increment_mm))


def _steps(increment_mm: float) -> AdvanceSettings:
    return AdvanceSettings(first_mm=min(0.1, increment_mm), largest_mm=increment_mm)


def sequence(setting: Setting) -> Row:
    """Blow, tap, pull."""
    start = time.process_time()
    model = panel(setting)
    blow = press(model, model.virgin(), ball(BALL_MM), 0.0, BLOW_MM, setting,
                 setting.blow_increment_mm)
    tap = press(model, blow.state, find_tip(TAP_TIP).body, TAP_AT_MM, TAP_MM, setting,
                setting.increment_mm)
    pulled = pull(model, tap.state, setting)
    seconds = time.process_time() - start
    done = (blow, tap, pulled)
    middle, crown = probe_at(model, 0.0, 0.0), probe_at(model, 0.0, TAP_AT_MM)
    at = [middle.read(advance_.state.displacement) for advance_ in done]
    tapped = [crown.read(advance_.state.displacement) for advance_ in done]
    field = make_sampling(model.patch, (-HALF_MM, HALF_MM, -HALF_MM, HALF_MM), 1.5)
    failed = [a.reason for a in done if not a.outcome.valid]
    return Row(
        **asdict(setting), equations=model.layout.count, dent_mm=-at[0],
        crown_mm=float(np.nanmax(field.field(blow.state).d_mm)),
        tap_place_mm=tapped[1] - tapped[0], tap_centre_mm=at[1] - at[0],
        pull_centre_mm=at[2] - at[1], end_mm=at[2], blow_N=blow.force_N, tap_N=tap.force_N,
        pull_N=pulled.force_N, energy_pct=max(a.energy_error_pct for a in done),
        penetration_mm=max((p.penetration_mm for a in (blow, tap) for p in a.path), default=0.0),
        iterations=sum(a.iterations for a in done), cpu_s=seconds,
        outcome="; ".join(failed) or "done")


def plan() -> list[Setting]:
    """Every setting once, cheap ones first."""
    wanted = [BASE, *CANDIDATES, FINEST]
    wanted += [replace(BASE, **{name: value}) for name, values in VARIED.items()
               for value in values]
    return sorted(set(wanted), key=lambda s: s.layers * s.degree / s.element_mm**2
                  / s.blow_increment_mm**0.5)


def read_rows(file: Path) -> list[Row]:
    """Rows of a stored table; empty if there is none."""
    if not file.exists():
        return []
    kinds = {f.name: {"float": float, "int": int, "str": str}[str(f.type)] for f in fields(Row)}
    with open(file, newline="") as text:
        return [Row(**{k: kinds[k](v) for k, v in line.items()}) for line in csv.DictReader(text)]


def write_rows(file: Path, rows: Iterable[Row]) -> None:
    """Whole or not at all."""
    file.parent.mkdir(exist_ok=True)
    fresh = file.with_suffix(".new")
    with open(fresh, "w", newline="") as text:
        table = csv.DictWriter(text, [f.name for f in fields(Row)], lineterminator="\n")
        table.writeheader()
        for row in rows:
            table.writerow({k: f"{v:.6g}" if isinstance(v, float) else v
                            for k, v in asdict(row).items()})
    fresh.replace(file)


def run_all(settings: list[Setting], fresh: bool) -> list[Row]:
    """Run what is not yet in the part file; keep each result at once."""
    rows = [] if fresh else read_rows(PART)
    known = {row.setting for row in rows}
    sequence(Setting(20.0, 3, 2.0, 1.0))  # compile or load the kernels
    for k, setting in enumerate(settings, 1):
        if setting in known:
            continue
        row = sequence(setting)
        rows.append(row)
        write_rows(PART, rows)
        print(f"{k}/{len(settings)} {line(row)}", file=sys.stderr, flush=True)
    order = {setting: k for k, setting in enumerate(settings)}
    return sorted((r for r in rows if r.setting in order), key=lambda r: order[r.setting])


HEAD = ("element layers blow incr deg   penalty    eqs |   dent  crown  tapped  centre  pulled |"
        "  blow   tap  pull N | energy % deep um iterations  cpu s")


def line(row: Row) -> str:
    """One line of the table."""
    return (f"{row.element_mm:7.1f} {row.layers:6d} {row.blow_increment_mm:4.2f} "
            f"{row.increment_mm:4.2f} {row.degree:3d} "
            f"{row.penalty_MPa_mm:9.3g} {row.equations:6d} | {row.dent_mm:6.3f} "
            f"{row.crown_mm:6.3f} {row.tap_place_mm:7.3f} {row.tap_centre_mm:7.3f} "
            f"{row.pull_centre_mm:7.3f} | "
            f"{row.blow_N:5.0f} {row.tap_N:5.0f} {row.pull_N:5.0f}   | {row.energy_pct:8.2f} "
            f"{1e3 * row.penetration_mm:7.1f} {row.iterations:10d} {row.cpu_s:6.1f} {row.outcome}")


def main() -> int:
    """Run, print, store; 1 if an operation found no balance."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="four coarse runs, nothing stored")
    parser.add_argument("--fresh", action="store_true", help="do not go on from a broken run")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--draw", action="store_true", help="only draw what is stored")
    options = parser.parse_args()
    if options.quick:
        rows = [sequence(replace(BASE, element_mm=size, blow_increment_mm=step))
                for size in (16.0, 8.0) for step in (1.0, 0.5)]
    elif options.draw:
        rows = read_rows(STORED)
    else:
        rows = run_all(plan(), options.fresh)
        write_rows(STORED, rows)
        PART.unlink(missing_ok=True)
    if not options.quick:
        write_page(rows, BASE, FINEST, CANDIDATES, VARIED)
    if options.json:
        print(json.dumps({"rows": [asdict(row) for row in rows]}))
    else:
        print(HEAD)
        print("\n".join(map(line, rows)))
    return 0 if rows and all(row.outcome == "done" for row in rows) else 1


if __name__ == "__main__":
    raise SystemExit(main())
