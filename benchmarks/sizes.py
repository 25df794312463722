"""How time and memory of one pull grow with the mesh, on one and two threads.

Run: python benchmarks/sizes.py [--elements 32,64,128,192] [--threads 1,2] [--json] [--store]

The pull of one_pull.py on the reference panel with that many elements a side, each run in a process
of its own, whose peak memory is that of the process with Python and compiled kernels in it. The
dent is made once a size, in coarse increments (the search for a blow uses them); a small panel
first loads the kernels. Seconds are those of one pull, load and release.

The growth exponent p of seconds per Newton iteration ~ equations^p is a least-squares line through
the logarithms of all sizes from 64 elements a side, by processor seconds on one thread; parts of
the time have exponents of their own. Aims: p at most 1.3, at 192 elements a side less
than 4 GiB.

The answer is right when every pull ended in balance with its energy within 1 %, two threads leave
the panel as one does to 1e-9 of its largest displacement, and the rise of the middle changes less
from mesh to mesh the finer they are.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from common import PARTS, Child, arguments, child, finish, say
from one_pull import answer_of, panel, pull, timed

from simkit.history.strike import SEARCH
from simkit.inspection.sampling import point_on
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import Model, State
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Load
from simkit.tool.bodies import ball

STRIKER_MM, STRIKE_MM = 25.0, 8.0
SAME = 1e-9
"""Largest difference between threads, over the largest displacement: the issue's limit."""
ENERGY_PCT = 1.0
EXPONENT, MEMORY_MIB = 1.3, 4096.0
FROM = 64
"""Elements a side from which growth is fitted."""


def dent(model: Model) -> State:
    """The panel struck by a ball in coarse increments."""
    start = model.virgin()
    place, normal = point_on(model, start, 0.0, 0.0)
    tip = set_tip(model, start, ball(STRIKER_MM), place, -normal, STRIKE_MM)
    return advance(model, start, Load(tip, STRIKE_MM), SEARCH).state


def one(elements: int, threads: int, folder: Path) -> dict:
    """One timed pull in this process; leaves its dent and its end in a folder."""
    small = panel(16, "auto", threads)
    pull(small, dent(small))
    model = panel(elements, "auto", threads)
    file = folder / f"dent-{elements}.npz"
    if not file.exists():
        struck = dent(model)
        np.savez(file, displacement=struck.displacement, points=struck.points)
    with np.load(file) as held:
        state = State(held["displacement"], held["points"])
    result = timed(lambda: pull(model, state), model, 1, warm=False)
    done = result.pop("done")
    np.save(folder / f"end-{elements}-{threads}.npy", done.state.displacement)
    return {**result, "elements": elements, "threads": threads, "equations": model.layout.count,
            "valid": done.outcome.valid, "answer": answer_of(model, state, done, 0.0)}


def run(elements: int, threads: int, folder: Path) -> dict:
    """One pull in a process of its own, with its peak memory."""
    ended: Child = child([__file__, "--one", str(elements), str(threads), str(folder)],
                         quiet=False)
    if ended.code:
        raise SystemExit(f"the run with {elements} elements a side failed")
    row = ended.json() | {"peak_MiB": ended.peak_MiB}
    row["ms_per_iteration"] = 1e3 * row["median_s"] / row["iterations"]
    row["cpu_ms_per_iteration"] = 1e3 * row["cpu_s"] / row["iterations"]
    return row


def exponent(rows: list[dict], value: str, part: str | None = None) -> float | None:
    """Exponent of growth with the equations; None with fewer than two sizes."""
    points = [(row["equations"], row[value] * (row["shares"][part] if part else 1.0))
              for row in rows if row["elements"] >= FROM]
    if len(points) < 2 or min(cost for _, cost in points) <= 0.0:
        return None
    sizes, costs = np.log(np.array(points)).T
    return float(np.polyfit(sizes, costs, 1)[0])


def apart(folder: Path, elements: int, threads: list[int]) -> float:
    """Largest difference between the panels that thread counts leave, relative."""
    first, *others = [np.load(folder / f"end-{elements}-{t}.npy") for t in threads]
    return max((float(np.abs(other - first).max() / np.abs(first).max()) for other in others),
               default=0.0)


def verdict(rows: list[dict], gaps: dict[int, float]) -> dict[str, Any]:
    """Whether the answers hold, and how they compare with the aims."""
    rises = [row["answer"]["change_mm"] for row in rows if row["threads"] == rows[0]["threads"]]
    steps = [abs(b - a) for a, b in pairwise(rises)]
    ordered = all(b < a for a, b in pairwise(steps))
    single = [row for row in rows if row["threads"] == 1] or rows
    growth = exponent(single, "cpu_ms_per_iteration")
    widest = max(rows, key=lambda row: row["peak_MiB"])
    return {
        "exponent": growth,
        "exponents_of_parts": {part: exponent(single, "cpu_ms_per_iteration", part)
                               for part in (*PARTS, "other")},
        "threads_apart": gaps, "rise_mm": rises,
        "answer_ok": (all(row["valid"] and abs(row["energy_error_pct"]) <= ENERGY_PCT
                          for row in rows)
                      and all(gap <= SAME for gap in gaps.values()) and ordered),
        "aims": {"exponent": None if growth is None else growth <= EXPONENT,
                 "memory": widest["peak_MiB"] < MEMORY_MIB}}


def table(rows: list[dict], found: dict) -> str:
    """The result for people."""
    head = ("elements  equations  threads    pull s     cpu s  iterations  ms/iteration  "
            "peak MiB   rise mm  energy %   " + "".join(f"{part:>14s}" for part in PARTS))
    lines = [head]
    for row in rows:
        lines.append(
            f"{row['elements']:8d}{row['equations']:11d}{row['threads']:9d}{row['median_s']:10.2f}"
            f"{row['cpu_s']:10.2f}{row['iterations']:12d}{row['ms_per_iteration']:14.1f}"
            f"{row['peak_MiB']:10.0f}{row['answer']['change_mm']:10.4f}"
            f"{row['energy_error_pct']:10.3f}   "
            + "".join(f"{100 * row['shares'][part]:12.1f} %" for part in PARTS))
    if found["exponent"] is not None:
        lines.append(f"processor time per iteration grows with equations^{found['exponent']:.2f} "
                     f"from {FROM} elements a side (aim: at most {EXPONENT}); "
                     + ", ".join(f"{part} {value:.2f}" for part, value in
                                 found["exponents_of_parts"].items() if value is not None))
    lines.append("threads apart: " + ", ".join(f"{n}: {gap:.1e}" for n, gap in
                                               found["threads_apart"].items()))
    return "\n".join([*lines, f"answer ok: {found['answer_ok']}; aims met: {found['aims']}"])


def numbers(text: str) -> list[int]:
    """Whole numbers with commas between."""
    return [int(word) for word in text.split(",")]


def main() -> int:
    """Measure every size; 1 if an answer does not hold."""
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(one(int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]))))
        return 0
    parser = arguments(__doc__)
    parser.add_argument("--elements", type=numbers, default=[32, 64, 128, 192])
    parser.add_argument("--threads", type=numbers, default=[1, 2])
    options: argparse.Namespace = parser.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for elements in options.elements:
            for threads in options.threads:
                rows.append(run(elements, threads, folder))
                say(f"{elements} elements, {threads} threads: {rows[-1]['median_s']:.2f} s")
        gaps = {elements: apart(folder, elements, options.threads)
                for elements in options.elements}
    found = verdict(rows, gaps)
    reference = next((row for row in rows if row["elements"] == FROM), rows[0])
    result = {"runs": rows, **{key: reference[key] for key in ("median_s", "iterations", "shares")},
              **found}
    return finish("sizes", "pull", result, table(rows, found), options)


if __name__ == "__main__":
    raise SystemExit(main())
