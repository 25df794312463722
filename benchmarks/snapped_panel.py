"""A blow that snaps a large cylinder panel, beside CalculiX.

Run: python benchmarks/snapped_panel.py [--store] [--sizes 14 7] [--mesh 16]

Panel of 400 x 400 mm, radius of curvature 1000 mm in one direction, 0.75 mm of an artificial steel
whose hardening table both codes use; its straight edges are hinged at the mid-surface, its curved
ones free. A rigid frictionless ball of radius 60 mm is pressed in by 31 mm in the middle and
withdrawn. Near 29.5 mm its force falls to nothing, the whole panel goes over by itself and stays
there. Both codes take a quarter, so that it goes over evenly; a real one may tilt on its way.

simkit finds the snap and books it. CalculiX (Debian: apt-get install calculix-ccx) takes 20-node
solids with reduced integration in two layers. As in snapped_cap.py its static steps find no way
over: its ball is taken to shortly before the snap, the contact is removed and the middle led on,
held back at first, until it needs no force any more: that is the free shape on the other side.
Compared are the depth there, in the middle and at the free edge, the largest force, and the whole
shape; the aim for the depth is 2 %. The outermost 3 mm of the solids do not yield, since they hang
on one line of nodes.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from pathlib import Path

import numpy as np

from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import Model, build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import FREE, HINGED, SYMMETRIC
from simkit.panel.surface import Curvature
from simkit.spline.basis import Basis, graded_breaks
from simkit.spline.patch import Patch
from simkit.tool.bodies import ball
from simkit.verification.peer import ccx, decks
from simkit.verification.peer.pressed import middle_levels
from simkit.verification.peer.results import Block, displacements, forces
from simkit.verification.peer.solids import HexGrid, ball_cap, layered_panel

Array = np.ndarray
RESULTS = Path(__file__).parent / "results" / "snapped_panel.json"
GRADE = "reference-steel"
HALF_MM, RADIUS_MM, THICKNESS_MM = 200.0, 1000.0, 0.75
CURVATURE = Curvature(np.inf, RADIUS_MM)
BALL_MM, TRAVEL_MM = 60.0, 31.0
BEFORE_MM, LED_TO_MM = 29.0, 45.0
"""Of the other code: travel of the ball, shortly before its force is gone; and where the middle is
then led to, past where it needs no force."""
WINDOW_MM, COARSER, RIM_MM = 60.0, 2.0, 3.0
LAYERS = 2
PENALTY_MPA_PER_MM = 2.0e4
BALL_HALF_ANGLE, BALL_ELEMENT_MM = np.radians(42.0), 3.0
LIMIT_S = 2400.0
SAMPLES_MM = np.linspace(0.0, HALF_MM, 21)


def breaks_of(fine_mm: float) -> Array:
    """Borders of the elements along each side, mm."""
    return graded_breaks(0.0, HALF_MM, 0.0, WINDOW_MM, fine_mm, COARSER * fine_mm)


def quarter(element_mm: float) -> Model:
    """simkit's quarter panel."""
    basis = Basis.from_breaks(breaks_of(element_mm), 2)

    def surface(x: Array, y: Array) -> Array:
        return np.stack([x, y, CURVATURE.height(x, y)], axis=1)

    edges = {"left": SYMMETRIC, "bottom": SYMMETRIC, "right": FREE, "top": HINGED}
    return build_model(Patch.from_map(surface, basis, basis), load_grade(GRADE).sheet(),
                       THICKNESS_MM, edges, 5, threads=1)


def by_simkit(element_mm: float, largest_mm: float = 0.5) -> dict:
    """Pressed, snapped and let go on a quarter."""
    used = time.process_time()
    model = quarter(element_mm)
    start = model.virgin()
    tip = set_tip(model, start, ball(BALL_MM), np.zeros(3), np.array([0.0, 0.0, -1.0]), TRAVEL_MM)
    done = advance(model, start, Load(tip, TRAVEL_MM),
                   AdvanceSettings(first_mm=0.2, largest_mm=largest_mm))
    xx, yy = (grid.ravel() for grid in np.meshgrid(SAMPLES_MM, SAMPLES_MM, indexing="ij"))
    down = -(model.patch.evaluation(xx, yy) @ done.state.displacement)[:, 2]
    path = np.array([(point.travel_mm, 4.0 * point.force_N) for point in done.path])
    gone = path[(path[:, 1] < 1.0) & (path[:, 0] > 1.0), 0]
    return {"code": "simkit", "mesh": f"{element_mm:g} mm", "outcome": done.outcome.value,
            "snapped": done.snapped, "snap_at_mm": float(gone[0]) if gone.size else None,
            "force_N": 4.0 * done.force_N, "energy_error_pct": done.energy_error_pct,
            "snap_loss_share_pct": 100.0 * done.drag / max(done.work, 1e-9),
            "cpu_s": time.process_time() - used,
            **shape(down.reshape(SAMPLES_MM.size, SAMPLES_MM.size))}


def shape(down: Array) -> dict:
    """Depths in the middle and at the middle of the free edge, and all of them, mm."""
    return {"depth_mm": float(down[0, 0]), "edge_depth_mm": float(down[-1, 0]),
            "down_mm": np.round(down, 3).tolist()}


def deck(fine_mm: float) -> tuple[str, HexGrid, Array]:
    """The deck, its grid, and the plan borders of its elements."""
    breaks = breaks_of(fine_mm)
    breaks_y = np.append(breaks[:-1], [HALF_MM - RIM_MM, HALF_MM])
    grid = layered_panel(breaks, breaks_y, CURVATURE, THICKNESS_MM, LAYERS, 2)
    sphere = ball_cap(BALL_MM, np.array([0.0, 0.0, 0.5 * THICKNESS_MM + BALL_MM]),
                      BALL_HALF_ANGLE, round(BALL_MM * BALL_HALF_ANGLE / BALL_ELEMENT_MM))
    text = decks.add_grid(decks.start_deck("cylinder panel under a ball"), grid, "PANEL", "SHEET")
    text = decks.Deck(text.lines[:-1], text.nodes, text.elements)  # its section is in two parts
    rows = np.arange(1, len(grid.elements) + 1).reshape(grid.counts)
    for name, part, of in (("SOFT", rows[:, :-1], "SHEET"), ("RIM", rows[:, -1], "RIGID")):
        text += decks.numbered_set("ELSET", name, np.sort(part.ravel()))
        text += [f"*SOLID SECTION, ELSET={name}, MATERIAL={of}"]
    first = text.elements
    text = decks.add_grid(text, sphere, "BALL", "RIGID")
    reach = np.flatnonzero(breaks[:-1] < BALL_MM * np.sin(BALL_HALF_ANGLE))
    ii, jj = (a.ravel() for a in np.meshgrid(reach, reach, indexing="ij"))
    sheet = load_grade(GRADE).sheet()
    text += [*decks.material("SHEET", sheet), *decks.material("RIGID", sheet, plastic=False)]
    middle = grid.number[::2, ::2][:, :, middle_levels_of(grid)]
    for name, nodes in (("AT_X", grid.nodes((0, slice(None), slice(None)))),
                        ("AT_Y", grid.nodes((slice(None), 0, slice(None)))),
                        ("HINGE", grid.nodes((slice(None), -1, LAYERS))),
                        ("MIDDLE", np.sort(middle.ravel())), ("APEX", middle[0, 0].ravel())):
        text += decks.numbered_set("NSET", name, nodes)
    text += ["*BOUNDARY", "AT_X, 1, 1", "AT_Y, 2, 2", "HINGE, 1, 3", "BALL_N, 1, 2"]
    text += decks.face_surface("FACE", grid.element(ii, jj, LAYERS - 1), 2)
    text += decks.face_surface("STRIKER", first + np.arange(1, len(sphere.elements) + 1), 2)
    text += decks.penalty_contact("FACE", "STRIKER", PENALTY_MPA_PER_MM)
    prints = [*decks.print_displacements("MIDDLE"), *decks.print_total_force("BALL_N"),
              *decks.print_total_force("APEX")]
    text += decks.static_step(decks.Increments(0.005, 1e-8, 0.02, 4000),
                              ["*BOUNDARY", f"BALL_N, 3, 3, {-BEFORE_MM:g}"], prints)
    text += decks.static_step(decks.Increments(0.005, 1e-8, 0.04, 4000),
                              ["*MODEL CHANGE, TYPE=CONTACT PAIR, REMOVE", "FACE, STRIKER",
                               "*BOUNDARY", f"APEX, 3, 3, {-LED_TO_MM:g}"], prints)
    return text.text(), grid, np.array([breaks, breaks_y], dtype=object)


def middle_levels_of(grid: HexGrid) -> list[int]:
    """Levels of the mid-surface's nodes."""
    return list(middle_levels(grid))


def free_at(blocks: list[Block]) -> tuple[float, float, float]:
    """Times of the two increments between which the led middle needs no force any more, having
    been held back, and the share of the way between them."""
    led = forces(blocks, "APEX")
    led = led[led[:, 0] > 1.0 + 1e-9]
    push = -led[:, 3]
    back = np.flatnonzero((push[:-1] < 0.0) & (push[1:] >= 0.0))
    if not back.size:
        raise LookupError("the middle never came to where it needs no force")
    k = int(back[-1])
    return float(led[k, 0]), float(led[k + 1, 0]), float(push[k] / (push[k] - push[k + 1]))


def by_ccx(fine_mm: float) -> dict:
    """The same by solids; what it printed last where it did not come to its end."""
    text, grid, borders = deck(fine_mm)
    with tempfile.TemporaryDirectory() as folder:
        run = ccx.run_deck(text, Path(folder), limit_s=LIMIT_S)
    row = {"code": "CalculiX", "mesh": f"{fine_mm:g} mm", "cpu_s": run.cpu_s}
    try:
        before, after, share = free_at(run.blocks)
    except (LookupError, IndexError) as error:
        return {**row, "outcome": f"{error}; {run.said}", "reached": run.counts.time}
    nodes = grid.number[::2, ::2][:, :, middle_levels_of(grid)]
    two = [displacements(run.blocks, "MIDDLE", at) for at in (before, after)]
    downs = [-np.mean([[[moved[int(n)][2] for n in place] for place in line] for line in nodes],
                      axis=2) for moved in two]
    down = (1.0 - share) * downs[0] + share * downs[1]
    return {**row, "outcome": "finished" if run.finished else "stopped after the free shape",
            "force_N": float(4.0 * np.abs(forces(run.blocks, "BALL_N")[:, 3]).max()),
            **shape(at_samples(down, borders))}


def at_samples(down: Array, borders: Array) -> Array:
    """Values at corner nodes brought to the sample places by cubic splines."""
    from scipy.interpolate import RectBivariateSpline

    spline = RectBivariateSpline(*(np.asarray(b, dtype=float) for b in borders), down, s=0)
    return spline(SAMPLES_MM, SAMPLES_MM)


def main() -> None:
    """Both codes, and simkit's errors against the finest finished run of CalculiX."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", type=float, nargs="*", default=[14.0, 7.0])
    parser.add_argument("--mesh", type=float, nargs="*", default=[16.0])
    parser.add_argument("--store", action="store_true")
    options = parser.parse_args()
    rows = [by_simkit(size) for size in options.sizes]
    if ccx.installed():
        rows += [by_ccx(size) for size in options.mesh]
    true = [row for row in rows if row["code"] == "CalculiX" and "depth_mm" in row][-1:]
    for row in rows:
        if true and "depth_mm" in row:
            gap = np.array(row["down_mm"]) - np.array(true[0]["down_mm"])
            for key in ("depth", "edge_depth"):
                row[f"{key}_error_pct"] = 100.0 * (row[f"{key}_mm"] / true[0][f"{key}_mm"] - 1.0)
            row["shape_rms_pct"] = 100.0 * float(np.sqrt(np.mean(gap**2))) / true[0]["depth_mm"]
        print(", ".join(f"{key} {value:.4g}" if isinstance(value, float) else f"{key} {value}"
                        for key, value in row.items() if key != "down_mm"), flush=True)
    if options.store:
        RESULTS.write_text(json.dumps({"case": "snapped cylinder panel", "rows": rows}) + "\n",
                           encoding="utf-8")


if __name__ == "__main__":
    main()
