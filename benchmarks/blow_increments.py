"""What is left by a blow of equal depth depends on the increments it was computed in.

Run: python benchmarks/blow_increments.py [--json]

Panel, ball, tap and mesh of benchmarks/sensitivity.py. The blow is repeated with another goal until
it leaves the middle at -4.2 mm within 0.003 mm, in increments up to 1.5 mm (the setting of
simkit.history.strike) down to 0.05 mm; then the crown is tapped in the same increments of 0.25 mm
every time. Depth, crown and the tapped place agree; the rise of the middle by the tap does not:
it tells of the residual stress that the shape does not show. Stored in results/blow_increments.csv.
"""

from __future__ import annotations

import argparse
import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
from sensitivity import BALL_MM, BASE, TAP_AT_MM, TAP_MM, TAP_TIP, panel, press

from simkit.history.strike import SETTINGS as STRIKE
from simkit.inspection.sampling import point_on, probe_at
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import Model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.tool.bodies import ball
from simkit.tool.catalogue import find_tip

STORED = Path(__file__).parent / "results" / "blow_increments.csv"
DEPTH_MM, WITHIN_MM, TRIES = -4.2, 0.003, 5
INCREMENTS_MM = (1.0, 0.5, 0.25, 0.1, 0.05)
TRAVEL_MM = 14.0


def blow(model: Model, settings: AdvanceSettings) -> Advance:
    """A blow that leaves the middle at the depth wanted, found by shifting its goal."""
    start, middle, goal = model.virgin(), probe_at(model, 0.0, 0.0), DEPTH_MM
    place, normal = point_on(model, start, 0.0, 0.0)
    for _ in range(TRIES):
        tip = set_tip(model, start, ball(BALL_MM), place, -normal, TRAVEL_MM)
        done = advance(model, start, Load(tip, TRAVEL_MM, probe=middle, goal_mm=goal), settings)
        missed = middle.read(done.state.displacement) - DEPTH_MM
        if abs(missed) <= WITHIN_MM:
            return done
        goal -= missed
    raise SystemExit(f"no blow leaves {DEPTH_MM} mm within {WITHIN_MM} mm")


def measure(model: Model, name: str, settings: AdvanceSettings) -> dict[str, float | str]:
    """One row: the blow and what the tap does after it."""
    middle, crown = probe_at(model, 0.0, 0.0), probe_at(model, 0.0, TAP_AT_MM)
    struck = blow(model, settings)
    tap = press(model, struck.state, find_tip(TAP_TIP).body, TAP_AT_MM, TAP_MM, BASE, 0.25)
    before, after = struck.state.displacement, tap.state.displacement
    return {"blow_increment": name, "increments": len(struck.path),
            "depth_mm": -middle.read(before), "crown_mm": crown.read(before),
            "blow_N": struck.force_N, "travel_mm": struck.travel_mm,
            "tapped_mm": crown.read(after) - crown.read(before),
            "middle_rise_mm": middle.read(after) - middle.read(before)}


def main() -> int:
    """Measure, print, store; 1 if the depths are not equal or the finest two do not agree."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    model = panel(BASE)
    rows = [measure(model, f"as strike: {STRIKE.largest_mm:g}",
                    replace(STRIKE, goal_tolerance_mm=0.005))]
    for size in INCREMENTS_MM:
        rows.append(measure(model, f"{size:g}", AdvanceSettings(
            first_mm=min(0.1, size), largest_mm=size, goal_tolerance_mm=0.005)))
    with open(STORED, "w", newline="") as text:
        table = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows({k: f"{v:.5g}" if isinstance(v, float) else v for k, v in row.items()}
                        for row in rows)
    rise = np.array([float(row["middle_rise_mm"]) for row in rows])
    ok = bool(abs(rise[-1] / rise[-2] - 1.0) < 0.05)
    if options.json:
        print(json.dumps({"rows": rows, "answer_ok": ok}))
    else:
        print("blow in        n   depth   crown  blow N  travel  tapped  middle rises, mm")
        for row in rows:
            print("{blow_increment:15s}{increments:3d}{depth_mm:8.4f}{crown_mm:8.4f}{blow_N:8.1f}"
                  "{travel_mm:8.3f}{tapped_mm:8.4f}{middle_rise_mm:8.4f}".format(**row))
        print(f"finest two agree within 5 %: {ok}")
    return 0 if ok else 1


if __name__ == "__main__":
    raise SystemExit(main())
