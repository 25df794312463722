"""Pull alone, ring on the crown and then the pull, pull held and ring: beside CalculiX.

Run: python benchmarks/crown_sequences_peer.py [--store] [--level 1] [--only BOWL] [--json]

Two struck bowls, described in simkit/verification/problems/crown_sequences.py: caps of 0.8 mm of an
artificial steel whose hardening table both codes use, struck by a ball of 25 mm radius, then worked
by a dead force that is even over a disc of 15 mm radius and by a torus all round the crown. Both
codes are given the same places, depths and forces; no height is handed from one to the other.

CalculiX (Debian: apt-get install calculix-ccx) takes axisymmetric solids (CAX8R, four layers).
Its step is static: where the bowl comes out under the ring while the force is held, it ends there,
and what can be compared is how deep the ring is then. The locked hold is computed by simkit only.
Every row is
written as soon as it is done; run again, the script goes on where it stopped. ``--store`` keeps the
table as results/crown_sequences.csv, and CalculiX's finest rows as the reference of
``simkit verify crown-sequences``.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import product
from pathlib import Path

import numpy as np
from two_hands import Table

from simkit.files import write_table
from simkit.material.grades import load_grade
from simkit.verification.peer import ccx
from simkit.verification.peer.axisymmetric import WHOLE, disc_loads, halved, strip
from simkit.verification.peer.decks import material, numbered_set
from simkit.verification.peer.results import displacements, forces
from simkit.verification.problems.crown_sequences import (
    PULLS_N,
    SEQUENCES,
    STEEP,
    WIDE,
    Bowl,
    Worked,
)
from simkit.verification.problems.sector_fe import DATA, GRADE, THICKNESS_MM

Array = np.ndarray
RESULTS = Path(__file__).parent / "results"
BOWLS = (WIDE, STEEP)
LAYERS = 4
PENALTY_MPA_PER_MM = 2.0e5
PARK_MM = 1.5
"""Height of the torus above the undamaged face while it does nothing."""
BALL_AWAY_MM = 2.0
LARGEST = 0.02
"""Largest increment, as a share of the blow's time."""
LIMIT_S = 1500.0
BY_PEER = ("pull", "ring, pull", "held, ring")
COLUMNS = ("bowl", "force_N", "sequence", "code", "mesh", "stage", "centre_mm", "crown_mm",
           "edge_N", "cpu_s", "outcome")
REFERENCE = ("bowl", "force_N", "sequence", "mesh", "stage", "centre_mm", "crown_mm", "outcome")
KEYS = ("bowl", "force_N", "sequence", "code", "mesh")


@dataclass(frozen=True)
class Leg:
    """A part of the step: the stage it ends with (empty if none), the time of its end, and heights
    of ball and torus, mm, and force, N, there."""

    name: str
    end: float
    ball_mm: float
    ring_mm: float
    force_N: float


class Deck:
    """Deck of one bowl; ``level`` divides the elements' sizes."""

    def __init__(self, bowl: Bowl, level: int) -> None:
        self.bowl, self.radii = bowl, halved(breaks_of(bowl, level))
        dome = bowl.blow.dome_mm
        through = dome + THICKNESS_MM * (np.linspace(0.0, 1.0, 2 * LAYERS + 1) - 0.5)
        cap, rows, at = strip(np.arcsin(self.radii / dome), through, -dome, 1)
        self.nodes, self.elements = len(cap), len(rows)
        last = self.radii.size - 1
        self.mid = [at[i, LAYERS] for i in range(self.radii.size)]
        self.lines = ["*HEADING", f"Struck bowl, {bowl.blow.name}", "*NODE, NSET=CAP_N", *cap,
                      "*ELEMENT, TYPE=CAX8R, ELSET=CAP",
                      *(f"{n}, {row}" for n, row in enumerate(rows, 1))]
        faces = [self._tool("BALL", np.linspace(0.0, np.radians(50.0), 25 * level + 1),
                            bowl.blow.ball_mm, 0.5 * THICKNESS_MM + bowl.blow.ball_mm, 0.0),
                 self._tool("RING", np.radians(np.linspace(-40.0, 40.0, 24 * level + 1)),
                            bowl.torus_mm, bowl.face_mm + PARK_MM + bowl.torus_mm, bowl.ring_mm)]
        sheet = load_grade(GRADE).sheet()
        self.lines += [*material("SHEET", sheet), *material("RIGID", sheet, plastic=False)]
        self.lines += [f"*SOLID SECTION, ELSET={name}, MATERIAL={of}" for name, of in
                       (("CAP", "SHEET"), ("BALL", "RIGID"), ("RING", "RIGID"))]
        self._contact(faces)
        self.lines += numbered_set("NSET", "MID", np.array(self.mid))
        for name, ray in (("AXIS", 0), ("EDGE", last)):
            column = np.array([at[ray, j] for j in range(2 * LAYERS + 1)])
            self.lines += numbered_set("NSET", name, column)
        self.lines += ["*BOUNDARY", "AXIS, 1, 1", "EDGE, 1, 2", "BALL_N, 1, 1", "RING_N, 1, 1"]

    def _tool(self, name: str, angles: Array, radius: float, height: float, out: float
              ) -> list[str]:
        """A layer of elements whose nodes are all led; returns its outer faces."""
        arcs = np.array([radius, radius - 1.0, radius - 2.0])
        nodes, rows, _ = strip(np.pi - halved(angles), arcs, height, self.nodes + 1, out)
        first = self.elements + 1
        self.lines += [f"*NODE, NSET={name}_N", *nodes, f"*ELEMENT, TYPE=CAX8R, ELSET={name}",
                       *(f"{n}, {row}" for n, row in enumerate(rows, first))]
        self.nodes, self.elements = self.nodes + len(nodes), self.elements + len(rows)
        return [f"{n}, S1" for n in range(first, self.elements + 1)]

    def _contact(self, faces: list[list[str]]) -> None:
        breaks = self.radii[::2]
        near = ("BALL", 0.0, 45.0, faces[0]), ("RING", self.bowl.ring_mm, 18.0, faces[1])
        self.lines += ["*SURFACE INTERACTION, NAME=TOUCH",
                       "*SURFACE BEHAVIOR, PRESSURE-OVERCLOSURE=LINEAR", f"{PENALTY_MPA_PER_MM:g}"]
        for name, middle, reach, tool in near:
            touched = np.flatnonzero(np.abs(breaks[:-1] - middle) < reach)
            self.lines += [f"*SURFACE, NAME={name}_UNDER, TYPE=ELEMENT",
                           *(f"{(k + 1) * LAYERS}, S3" for k in touched),
                           f"*SURFACE, NAME={name}_FACE, TYPE=ELEMENT", *tool,
                           "*CONTACT PAIR, INTERACTION=TOUCH, TYPE=SURFACE TO SURFACE",
                           f"{name}_UNDER, {name}_FACE"]

    def text(self, sequence: str, force_N: float) -> tuple[str, list[Leg]]:
        """The whole deck and the legs of its one step, with the times of their ends.

        All legs are in one step, by amplitudes: at the start of a further step CalculiX does not
        find the equilibrium again in which the last one ended.
        """
        legs = self._legs(sequence, force_N)
        columns = np.array([(leg.end, leg.ball_mm, leg.ring_mm, leg.force_N) for leg in legs])
        columns = np.vstack([np.zeros(4), columns])
        lines = self.lines[:2]
        for name, values in zip(("BALL", "RING", "PULL"), columns.T[1:], strict=True):
            lines += [f"*AMPLITUDE, NAME=A_{name}",
                      *(f"{at:.6g}, {value:.10g}"
                        for at, value in zip(columns[:, 0], values, strict=True))]
        lines += ["*TIME POINTS, NAME=ENDS", *(f"{at:.6g}" for at in columns[1:, 0])]
        at_ends = "TIME POINTS=ENDS"
        lines += [*self.lines[2:], "*STEP, NLGEOM, INC=4000", "*STATIC",
                  f"0.01, {legs[-1].end:.6g}, 1e-7, {LARGEST:g}"]
        for name in ("BALL", "RING"):
            lines += [f"*BOUNDARY, AMPLITUDE=A_{name}", f"{name}_N, 2, 2, 1."]
        lines += ["*CLOAD, AMPLITUDE=A_PULL",
                  *(f"{node}, 2, {part:.10g}" for node, part in zip(
                      self.mid, disc_loads(self.radii, self.bowl.disc_mm), strict=True)
                    if part != 0.0),
                  f"*NODE PRINT, NSET=MID, {at_ends}", "U",
                  f"*NODE PRINT, NSET=EDGE, TOTALS=ONLY, {at_ends}", "RF", "*END STEP"]
        return "\n".join(lines) + "\n", legs

    def _legs(self, sequence: str, force_N: float) -> list[Leg]:
        down = -(PARK_MM + self.bowl.below_mm)
        strike = [("", 1.0, -self.bowl.blow.travel_mm, 0.0, 0.0),
                  ("struck", 0.4, BALL_AWAY_MM, 0.0, 0.0)]
        ring, pulled, free = ("", 0.6, down), ("pulled", 0.2, 0.0), ("free", 0.2, 0.0)
        up, force = ("ring", 0.3, 0.0), force_N
        after = {"pull": [(*pulled, force), (*free, 0.0)],
                 "ring, pull": [(*ring, 0.0), (*up, 0.0), (*pulled, force), (*free, 0.0)],
                 "held, ring": [(*pulled, force), (*ring, force), (*up, force), (*free, 0.0)]}
        legs, now = [], 0.0
        for name, lasts, ball, height, pull in [
                *strike, *((n, t, BALL_AWAY_MM, z, f) for n, t, z, f in after[sequence])]:
            now += lasts
            legs.append(Leg(name, now, ball, height, pull))
        return legs


def breaks_of(bowl: Bowl, level: int) -> Array:
    """Radial borders of the cap's elements, mm: fine under ball and ring and at the edge."""
    fine, edge = 1.5 / level, bowl.blow.radius_mm
    parts = ((30.0, fine), (bowl.ring_mm - 20.0, 2.0 * fine), (bowl.ring_mm + 20.0, fine),
             (edge - 4.0, 2.0 * fine), (edge, fine / 1.5))
    breaks = [np.zeros(1)]
    for end, size in parts:
        begin = float(breaks[-1][-1])
        breaks.append(np.linspace(begin, end, max(1, round((end - begin) / size)) + 1)[1:])
    return np.concatenate(breaks)


def by_ccx(bowl: Bowl, force_N: float, sequence: str, level: int
           ) -> list[dict[str, object]]:
    """Stages of a sequence by CalculiX; where it did not come to its end, the last row says so."""
    deck = Deck(bowl, level)
    text, legs = deck.text(sequence, force_N)
    with tempfile.TemporaryDirectory() as folder:
        run = ccx.run_deck(text, Path(folder), limit_s=LIMIT_S)
    held = {round(block[0], 4): -WHOLE * block[2] for block in forces(run.blocks, "EDGE")}
    dome, rows = bowl.blow.dome_mm, []
    start = np.stack([deck.radii, np.sqrt(dome**2 - deck.radii**2)], axis=1)
    for leg in legs:
        if not leg.name or round(leg.end, 4) not in held:
            continue
        moved = displacements(run.blocks, "MID", leg.end)
        dev = np.hypot(*(start + np.array([moved[n][:2] for n in deck.mid])).T) - dome
        rows.append({"stage": leg.name, "centre_mm": f"{dev[0]:.4f}",
                     "crown_mm": f"{dev.max():.4f}", "edge_N": round(held[round(leg.end, 4)], 2),
                     "cpu_s": run.cpu_s, "outcome": "done"})
    if not run.finished:
        ring = np.interp(run.counts.time, [leg.end for leg in legs], [leg.ring_mm for leg in legs])
        rows.append({"stage": "stopped", "centre_mm": None, "crown_mm": None, "edge_N": None,
                     "cpu_s": run.cpu_s, "outcome": "no equilibrium beyond the ring at "
                     f"{ring + PARK_MM:+.3f} mm from the undamaged face"})
    return rows


def by_simkit(bowl: Bowl, force_N: float, sequence: str, element_mm: float
              ) -> list[dict[str, object]]:
    """The same by simkit on its sector."""
    used = time.process_time()
    try:
        stages = list(Worked(bowl, element_mm).follow(sequence, force_N))
    except ArithmeticError as error:
        return [{"stage": "stopped", "centre_mm": None, "crown_mm": None, "edge_N": None,
                 "cpu_s": time.process_time() - used, "outcome": str(error)}]
    return [{"stage": stage.name, "centre_mm": f"{stage.centre_mm:.4f}",
             "crown_mm": f"{stage.crown_mm:.4f}",
             "edge_N": None, "cpu_s": time.process_time() - used,
             "outcome": stage.snapped or "done"} for stage in stages]


def main() -> None:
    """Compute the rows that are missing, print them all."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--level", type=int, nargs="*", default=[1])
    parser.add_argument("--sizes", type=float, nargs="*", default=[5.0, 2.5])
    parser.add_argument("--only", help="one bowl, such as 'R 500 mm'")
    parser.add_argument("--table", type=Path, default=Path("crown_sequences.csv"))
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--store", action="store_true")
    asked = parser.parse_args()
    table = Table(RESULTS / "crown_sequences.csv" if asked.store else asked.table, COLUMNS, KEYS)
    for bowl, force_N, sequence in product(BOWLS, (150.0, 250.0, 600.0), SEQUENCES):
        name = bowl.blow.name
        if asked.only not in (None, name) or force_N not in PULLS_N[name]:
            continue
        key = {"bowl": name, "force_N": f"{force_N:.4g}", "sequence": sequence}
        for size in asked.sizes:
            add_rows(table, {**key, "code": "simkit", "mesh": f"{size:g} mm"},
                     partial(by_simkit, bowl, force_N, sequence, size), asked.json)
        for level in asked.level if ccx.installed() and sequence in BY_PEER else ():
            add_rows(table, {**key, "code": "CalculiX", "mesh": f"level {level}"},
                     partial(by_ccx, bowl, force_N, sequence, level), asked.json)
    if asked.store:
        store_reference(table.rows)
    if asked.json:
        print(json.dumps({"rows": table.rows}))


def store_reference(rows: list[dict[str, str]]) -> None:
    """CalculiX's rows of the finest mesh that all sequences of a bowl and force have, as
    `simkit verify` reads them."""
    peer = [row for row in rows if row["code"] == "CalculiX"]
    kept = [row for row in peer if row["mesh"] == common_mesh(peer, row["bowl"], row["force_N"])]
    write_table(DATA / "crown_sequences.csv", REFERENCE, [
        {name: row[name] for name in REFERENCE} for row in kept])


def common_mesh(rows: list[dict[str, str]], bowl: str, force_N: str) -> str:
    """The finest level that every sequence of a bowl and force was computed with."""
    meshes: dict[str, set[str]] = {}
    for row in rows:
        if (row["bowl"], row["force_N"]) == (bowl, force_N):
            meshes.setdefault(row["sequence"], set()).add(row["mesh"])
    return max(set.intersection(*meshes.values()))


def add_rows(table: Table, key: dict[str, str], job: Callable[[], list[dict[str, object]]],
             quiet: bool) -> None:
    """Rows of one sequence by one code, unless the table has them."""
    if table.has(**key):
        return
    for found in job():
        row = table.add(**key, **found)
        if not quiet:
            print(", ".join(f"{name} {row[name]}" for name in COLUMNS), flush=True)


if __name__ == "__main__":
    main()
