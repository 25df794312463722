"""A blow that snaps a shallow cap, beside CalculiX.

Run: python benchmarks/snapped_cap.py [--store] [--sizes 3 1.5] [--levels 1 2]

Spherical cap of 800 mm radius of curvature, plan radius 90 mm, 0.8 mm of an artificial steel whose
hardening table both codes use, hinged at the mid-surface of its rim. A rigid frictionless ball of
radius 25 mm is pressed in by 10.9 mm and withdrawn. Near 10.8 mm its force falls to nothing, the
cap goes over by itself and stays there.

simkit takes a sector of 6 degrees, finds the snap and books it. CalculiX (Debian: apt-get install
calculix-ccx) takes axisymmetric solids (CAX8R, four layers), and its static steps find no way over
the snap: they end at 10.79 mm of travel. So its ball is taken to 10.7 mm, the contact is removed
and the apex led on, held back at first, until it needs no force any more: that is the free shape
on the other side. Compared are the depth there, the largest force and the profile; the aim for the
depth is 2 %. What yields while the cap swings over by itself is not in that; it is little, for the
depth is that of a shape turned inside out. The outermost 2 mm of the solids do not yield, since
they hang on one ring of nodes.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path

import numpy as np

from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import HINGED, SECTOR
from simkit.panel.shapes import polar_patch
from simkit.tool.bodies import ball
from simkit.verification.peer import ccx
from simkit.verification.peer.axisymmetric import halved, strip
from simkit.verification.peer.decks import material, numbered_set, penalty_contact
from simkit.verification.peer.results import Block, displacements, forces
from simkit.verification.problems.sector_fe import (
    AXIS,
    GRADE,
    LAYERS,
    SECTOR_DEG,
    BallCase,
    profile,
)

CASE = BallCase("snapped cap", 90.0, 25.0, 10.9, 800.0)
BEFORE_MM, LED_TO_MM = 10.7, 12.5
"""Of the other code: travel of the ball, shortly before its force is gone; and where the apex is
then led to, past where it needs no force."""
THICKNESS_MM = 0.8
RESULTS = Path(__file__).parent / "results" / "snapped_cap.json"
PENALTY_MPA_PER_MM = 2.0e5
STIFF_RIM_MM = 2.0
CCX_LAYERS = 4


def by_simkit(element_mm: float, largest_mm: float = 0.25) -> dict:
    """Pressed, snapped and let go on a sector."""
    half = np.radians(0.5 * SECTOR_DEG)
    radii = np.linspace(0.0, CASE.radius_mm, round(CASE.radius_mm / element_mm) + 1)
    patch = polar_patch(radii, np.array([-half, half]), CASE.curvature)
    edges = {"left": AXIS, "right": HINGED, "bottom": SECTOR, "top": SECTOR}
    model = build_model(patch, load_grade(GRADE).sheet(), THICKNESS_MM, edges, LAYERS)
    tip = set_tip(model, model.virgin(), ball(CASE.ball_mm), np.zeros(3),
                  np.array([0.0, 0.0, -1.0]), CASE.travel_mm)
    done = advance(model, model.virgin(), Load(tip, CASE.travel_mm),
                   AdvanceSettings(first_mm=0.1, largest_mm=largest_mm))
    r0, dev = profile(model, done.state, CASE)
    return {"code": "simkit", "mesh": f"{element_mm:g} mm", "outcome": done.outcome.value,
            "snapped": done.snapped, "depth_mm": -float(dev[0]),
            "force_N": done.force_N * 360.0 / SECTOR_DEG,
            "energy_error_pct": done.energy_error_pct,
            "snap_loss_share_pct": 100.0 * done.drag / max(done.work, 1e-9),
            "r_mm": r0[::40].tolist(), "dev_mm": dev[::40].tolist()}


def arc_breaks(level: int) -> np.ndarray:
    """Radial borders of the cap's elements, mm: fine under the ball and at the rim."""
    finest = 1.0 / level
    inner = np.arange(0.0, 20.0 + 1e-9, finest)
    outer = np.linspace(20.0, CASE.radius_mm - 4.0, round((CASE.radius_mm - 24.0) / (2.0 * finest)))
    rim = np.linspace(CASE.radius_mm - 4.0, CASE.radius_mm, 4 * level + 1)
    return np.concatenate([inner, outer[1:], rim[1:]])


def deck(level: int) -> tuple[str, list[int], np.ndarray]:
    """The deck, nodes of the mid-surface from the apex outwards, their radii (mm)."""
    breaks = arc_breaks(level)
    angles = np.arcsin(halved(breaks) / CASE.dome_mm)
    through = CASE.dome_mm + THICKNESS_MM * (np.linspace(0.0, 1.0, 2 * CCX_LAYERS + 1) - 0.5)
    nodes, rows, at = strip(angles, through, -CASE.dome_mm, 1)
    columns = len(breaks) - 1
    soft = CCX_LAYERS * int((breaks[:-1] < CASE.radius_mm - STIFF_RIM_MM - 1e-9).sum())
    lines = ["*HEADING", "Shallow cap under a ball", "*NODE, NSET=CAP_N", *nodes]
    for name, those in (("CAP", range(soft)), ("RIM", range(soft, len(rows)))):
        lines.append(f"*ELEMENT, TYPE=CAX8R, ELSET={name}")
        lines += [f"{n + 1}, {rows[n]}" for n in those]
    # the ball: one layer of elements round its lowest part, all of whose nodes are led
    polar = halved(np.linspace(0.0, np.radians(50.0), 25 * level + 1))
    centre = 0.5 * THICKNESS_MM + CASE.ball_mm
    ball_nodes, ball_rows, _ = strip(np.pi - polar, np.array([CASE.ball_mm, CASE.ball_mm - 1.0,
                                     CASE.ball_mm - 2.0]), centre, len(nodes) + 1)
    lines += ["*NODE, NSET=BALL_N", *ball_nodes, "*ELEMENT, TYPE=CAX8R, ELSET=BALL"]
    lines += [f"{len(rows) + k}, {row}" for k, row in enumerate(ball_rows, 1)]
    sheet = load_grade(GRADE).sheet()
    lines += [*material("STEEL", sheet), *material("ELASTIC", sheet, plastic=False)]
    for name, of in (("CAP", "STEEL"), ("RIM", "ELASTIC"), ("BALL", "ELASTIC")):
        lines.append(f"*SOLID SECTION, ELSET={name}, MATERIAL={of}")
    touched = [k for k in range(columns) if breaks[k] < 45.0]
    lines += ["*SURFACE, NAME=OUTER, TYPE=ELEMENT",
              *(f"{(k + 1) * CCX_LAYERS}, S3" for k in touched),
              "*SURFACE, NAME=BALLFACE, TYPE=ELEMENT",
              *(f"{len(rows) + k}, S1" for k in range(1, len(ball_rows) + 1))]
    lines += penalty_contact("OUTER", "BALLFACE", PENALTY_MPA_PER_MM)
    last, middle = len(angles) - 1, CCX_LAYERS
    mid = [at[i, middle] for i in range(len(angles)) if (i, middle) in at]
    axis = [at[0, j] for j in range(2 * CCX_LAYERS + 1)]
    lines += [*numbered_set("NSET", "MID", np.array(mid)),
              *numbered_set("NSET", "AXIS", np.array(axis)),
              *numbered_set("NSET", "RING", np.array([at[last, middle]])),
              "*BOUNDARY", "AXIS, 1, 1", "RING, 1, 2", "BALL_N, 1, 1"]
    lines += [*numbered_set("NSET", "APEX", np.array([mid[0]]))]
    prints = ["*NODE PRINT, NSET=MID", "U", "*NODE PRINT, NSET=BALL_N, TOTALS=ONLY", "RF",
              "*NODE PRINT, NSET=APEX, TOTALS=ONLY", "RF", "*END STEP"]
    lines += ["*STEP, NLGEOM, INC=4000", "*STATIC", "0.01, 1., 1e-8, 0.02", "*BOUNDARY",
              f"BALL_N, 2, 2, {-BEFORE_MM:.10g}", *prints]
    lines += ["*STEP, NLGEOM, INC=4000", "*STATIC", "0.01, 1., 1e-8, 0.02",
              "*MODEL CHANGE, TYPE=CONTACT PAIR, REMOVE", "OUTER, BALLFACE", "*BOUNDARY",
              f"APEX, 2, 2, {-LED_TO_MM:.10g}", *prints]
    return "\n".join(lines) + "\n", mid, np.sin(angles) * CASE.dome_mm


def free_shape(blocks: list[Block], mid: list[int]) -> tuple[float, np.ndarray]:
    """Time at which the led apex needs no force, having been held back, and the displacements
    (n, 2) of the mid-surface then, straight between two increments."""
    led = forces(blocks, "APEX")
    led = led[led[:, 0] > 1.0 + 1e-9]
    push = -led[:, 2]  # downwards
    back = np.flatnonzero((push[:-1] < 0.0) & (push[1:] >= 0.0))
    if not back.size:
        raise LookupError("the apex never came to where it needs no force")
    k = int(back[-1])
    share = push[k] / (push[k] - push[k + 1])
    two = [displacements(blocks, "MID", led[n, 0]) for n in (k, k + 1)]
    shapes = [np.array([one[node][:2] for node in mid]) for one in two]
    return float(led[k, 0] + share * (led[k + 1, 0] - led[k, 0])), (
        (1.0 - share) * shapes[0] + share * shapes[1])


def by_ccx(level: int) -> dict:
    """The same by axisymmetric solids; what it printed last where it did not come to its end."""
    text, mid, r0 = deck(level)
    with tempfile.TemporaryDirectory() as folder:
        run = ccx.run_deck(text, Path(folder), limit_s=3000.0)
    row = {"code": "CalculiX", "mesh": f"level {level}", "outcome": "finished" if run.finished
           else "not finished", "cpu_s": run.cpu_s}
    if not run.finished:
        return {**row, "said": run.said, "reached": run.counts.time}
    free, profiles = free_shape(run.blocks, mid)
    place = np.stack([r0, np.sqrt(CASE.dome_mm**2 - r0**2)], axis=1) + profiles
    dev = np.hypot(place[:, 0], place[:, 1]) - CASE.dome_mm
    force = 180.0 * np.abs(forces(run.blocks, "BALL_N")[:, 2])  # a sector of 2 degrees is printed
    row["free_at_time"] = free
    at = np.linspace(0.0, CASE.radius_mm, 31)
    return {**row, "depth_mm": -float(dev[0]), "force_N": float(force.max()), "r_mm": at.tolist(),
            "dev_mm": np.interp(at, r0, dev).tolist()}


def main() -> None:
    """Both codes, and simkit's errors against the finest finished run of CalculiX."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", type=float, nargs="*", default=[3.0, 1.5])
    parser.add_argument("--levels", type=int, nargs="*", default=[1, 2])
    parser.add_argument("--store", action="store_true")
    options = parser.parse_args()
    rows = [by_simkit(size) for size in options.sizes]
    if ccx.installed():
        rows += [by_ccx(level) for level in options.levels]
    true = [row for row in rows if row["code"] == "CalculiX" and "depth_mm" in row][-1:]
    for row in rows:
        text = ", ".join(f"{key} {value:.4g}" if isinstance(value, float) else f"{key} {value}"
                         for key, value in row.items() if not key.endswith("_mm") or
                         key == "depth_mm")
        if true and "depth_mm" in row:
            gap = np.interp(true[0]["r_mm"], row["r_mm"], row["dev_mm"]) - true[0]["dev_mm"]
            row["depth_error_pct"] = 100.0 * (row["depth_mm"] / true[0]["depth_mm"] - 1.0)
            row["profile_rms_pct"] = 100.0 * float(np.sqrt(np.mean(gap**2))) / true[0]["depth_mm"]
            text += (f"; depth {row['depth_error_pct']:+.2f} %, profile "
                     f"{row['profile_rms_pct']:.2f} % rms of the depth")
        print(text, flush=True)
    if options.store:
        RESULTS.write_text(json.dumps({"case": "snapped cap", "rows": rows}, indent=1) + "\n",
                           encoding="utf-8")


if __name__ == "__main__":
    main()
