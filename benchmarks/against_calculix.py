"""The same dent by simkit and by CalculiX: errors and run times side by side.

Run: python benchmarks/against_calculix.py [--quick] [--threads 1] [--repeats 3] [--json]
     [--store]
     python benchmarks/against_calculix.py --reference ccx|simkit     (hours, a few minutes)

Quarter of a panel of 320 x 320 mm, radii 1200 and 600 mm, 0.75 mm of an artificial steel whose
hardening table both codes use, outer edges held; a rigid frictionless ball of radius 25 mm pressed
in by 8 mm and withdrawn. simkit takes a shell of degree 2 or 3; CalculiX (Debian: apt-get install
calculix-ccx) 20-node solids with reduced integration in several layers, face-to-face contact with
the penalty simkit starts from. Both use the same graded element borders.

Errors are against a finer run of CalculiX, stored in results/against_calculix_reference.json with
its command; those against a finer run of simkit stand beside. The error of a run is the largest of
four: residual depth, crown height, peak force, shape (root mean square of the residual shape's
difference over the panel, as a share of the depth). Both codes run a list of meshes and increments;
for errors of 5, 2, 1 and 0.5 % the fastest run of each within the error is taken, and the ratio of
their seconds. The headline is that for 2 %, the verification manual's limit for residual depth.

A run that finds no balance is named and left out. Ratios are of processor seconds; both codes run
on one machine in one go, whatever else it does.

Before that, both codes solve a clamped elastic plate with a known answer, to prove the decks.
simkit's seconds are those of building the model, pressing and releasing in a process whose kernels
are compiled; simkit_process_s is a whole new process with its imports. CalculiX's are those of its
process. Processor seconds stand beside the clock's, for busy machines.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import numba
import numpy as np
from common import arguments, finish, say
from numpy.typing import NDArray

from simkit.verification.peer import ccx, elastic_plate
from simkit.verification.peer.decks import Increments
from simkit.verification.peer.pressed import (
    Answer,
    PressedPanel,
    ShellMesh,
    SolidMesh,
    solve_shell,
    solve_solid,
)

Array = NDArray[np.float64]
STORED = Path(__file__).parent / "results" / "against_calculix_reference.json"
CASE = PressedPanel()
LEVELS_PCT = (5.0, 2.0, 1.0, 0.5)
GOOD_PCT = 2.0
AIM = 100.0
PLATE_PCT = 1.0
RELEASE = Increments(0.05, 1e-6, 0.2)
"""Withdrawal is elastic but for a little: its increments do not change the answer (4.103 mm for
largest shares of 0.1, 0.2 and 0.3)."""


def solid(fine_mm: float, layers: int, largest: float, threads: int = 1) -> SolidMesh:
    """20-node solids, pressing in increments up to ``largest`` of the travel."""
    loading = Increments(min(largest, 0.05), 1e-6, largest)
    return SolidMesh(fine_mm, layers, 2, loading, RELEASE, threads)


SOLIDS = ((14.0, 2, 1 / 15), (14.0, 2, 0.05), (14.0, 2, 0.1), (12.0, 2, 0.05), (10.0, 2, 0.2),
          (10.0, 2, 0.1), (10.0, 2, 0.05), (10.0, 4, 0.05), (7.0, 3, 0.05), (7.0, 4, 0.05),
          (7.0, 4, 0.02), (5.0, 4, 0.02))
"""Element size round the dent (mm), layers, largest increment over the travel."""
SHELLS = ((6.5, 2, 5, 0.5), (6.0, 2, 5, 0.5), (6.0, 2, 5, 0.25), (5.0, 2, 5, 0.5),
          (5.0, 2, 5, 0.25), (10.0, 2, 5, 1.0), (7.0, 2, 5, 0.5), (3.5, 2, 5, 0.25),
          (3.5, 2, 5, 0.1), (7.0, 3, 5, 0.1))
"""Element size round the dent (mm), degree, layers, largest increment (mm)."""
QUICK_SOLIDS, QUICK_SHELLS = SOLIDS[:1], SHELLS[:5]
"""The fastest found within 2 %. CalculiX just misses it with larger increments (14 mm, 0.8 mm:
2.06 % in 11.2 s instead of 1.04 % in 12.8 s) and with larger elements (16 mm: 3.5 % in 9.2 s), and
with 1 layer by far (26 %)."""
REFERENCE_SOLID = solid(3.5, 4, 0.01)
REFERENCE_SHELL = ShellMesh(2.5, 3, 9, 0.05)


@dataclass(frozen=True)
class Run:
    """One run of one code with its errors, per cent, against the two references."""

    code: str
    mesh: str
    numbers: dict[str, float]
    errors_pct: dict[str, float]
    errors_pct_to_simkit: dict[str, float]
    wall_s: float
    cpu_s: float
    counts: dict[str, float]

    @property
    def error_pct(self) -> float:
        """The largest of the four errors."""
        return max(map(abs, self.errors_pct.values()))


def errors(numbers: dict[str, float], shape: Array, reference: dict) -> dict[str, float]:
    """Signed errors, per cent, against a stored reference."""
    wanted = reference["numbers"]
    found = {key.rsplit("_", 1)[0]: 100.0 * (numbers[key] / wanted[key] - 1.0)
             for key in ("residual_depth_mm", "crown_mm", "peak_force_N")}
    gap = shape - np.array(reference["shape_mm"])
    found["shape"] = float(100.0 * np.sqrt(np.mean(gap**2)) / wanted["residual_depth_mm"])
    return found


def as_run(code: str, mesh: str, answer: Answer, stored: dict) -> Run:
    """An answer beside the references."""
    both = [errors(answer.numbers(), answer.coarse(), stored[name]) for name in ("ccx", "simkit")]
    return Run(code, mesh, answer.numbers(), both[0], both[1], answer.wall_s, answer.cpu_s,
               answer.counts)


def shell_run(mesh: ShellMesh, repeats: int, stored: dict) -> Run:
    """simkit's run; seconds are medians."""
    answers = [solve_shell(CASE, mesh) for _ in range(repeats)]
    run = as_run("simkit", f"{mesh.fine_mm:g} mm, degree {mesh.degree}, {mesh.layers} layers, "
                 f"increments {mesh.largest_mm:g} mm", answers[0], stored)
    return Run(**{**asdict(run), "wall_s": statistics.median(a.wall_s for a in answers),
                  "cpu_s": statistics.median(a.cpu_s for a in answers)})


def solid_run(mesh: SolidMesh, stored: dict) -> Run:
    """CalculiX's run."""
    with tempfile.TemporaryDirectory() as folder:
        answer = solve_solid(CASE, mesh, Path(folder))
    return as_run("ccx", f"{mesh.fine_mm:g} mm, C3D20R, {mesh.layers} layers, increments "
                  f"{mesh.press.largest * CASE.travel_mm:.2g} mm", answer, stored)


def process_seconds(mesh: ShellMesh) -> float:
    """Wall seconds of a new interpreter that does nothing but one run."""
    start = time.perf_counter()
    subprocess.run([sys.executable, __file__, "--one", str(mesh.fine_mm), str(mesh.degree),
                    str(mesh.layers), str(mesh.largest_mm), "--threads", str(mesh.threads)],
                   check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def plate_errors() -> dict[str, float]:
    """Both codes on the clamped elastic plate, per cent of the exact deflection."""
    exact = elastic_plate.exact_mm()
    with tempfile.TemporaryDirectory() as folder:
        peer = elastic_plate.solid_mm(10.0, 2, 2, Path(folder))
    return {"ccx": 100.0 * (peer / exact - 1.0),
            "simkit": 100.0 * (elastic_plate.shell_mm(10.0) / exact - 1.0)}


def at_level(runs: list[Run], limit_pct: float) -> dict | None:
    """The fastest run of each code within an error, and their ratio; None if one has none."""
    able = {code: [run for run in runs if run.code == code and run.error_pct <= limit_pct]
            for code in ("ccx", "simkit")}
    if not all(able.values()):
        return None
    peer, own = (min(able[code], key=lambda run: run.cpu_s) for code in ("ccx", "simkit"))
    return {"within_pct": limit_pct, "ccx": peer.mesh, "simkit": own.mesh, "ccx_s": peer.wall_s,
            "simkit_s": own.wall_s, "ratio": peer.wall_s / own.wall_s,
            "ccx_cpu_s": peer.cpu_s, "simkit_cpu_s": own.cpu_s,
            "cpu_ratio": peer.cpu_s / own.cpu_s, "ccx_error_pct": peer.error_pct,
            "simkit_error_pct": own.error_pct}


def runs_of(options: argparse.Namespace, stored: dict) -> tuple[list[Run], list[ShellMesh]]:
    """All runs of both codes, and the meshes of simkit's."""
    solids, shells = (QUICK_SOLIDS, QUICK_SHELLS) if options.quick else (SOLIDS, SHELLS)
    runs, meshes = [], []
    for given in shells:
        mesh = ShellMesh(*given, options.threads)
        try:
            runs.append(shell_run(mesh, options.repeats, stored))
        except ArithmeticError as error:
            say(f"simkit, {mesh}: {error}")
            continue
        meshes.append(mesh)
        say(line(runs[-1]))
    for part in solids:
        try:
            runs.append(solid_run(solid(*part, options.threads), stored))
        except (ArithmeticError, RuntimeError) as error:
            say(f"CalculiX, {part}: {error}")
            continue
        say(line(runs[-1]))
    return runs, meshes


def compare(options: argparse.Namespace, stored: dict) -> dict:
    """Everything measured, as JSON takes it."""
    plate = plate_errors()
    solve_shell(CASE, ShellMesh(40.0))  # compile or load the kernels
    solve_shell(CASE, ShellMesh(40.0, 3))
    runs, meshes = runs_of(options, stored)
    levels = [level for limit in ((GOOD_PCT,) if options.quick else LEVELS_PCT)
              if (level := at_level(runs, limit)) is not None]
    result = {"ccx_version": ccx.version(), "threads": options.threads, "plate_error_pct": plate,
              "runs": [asdict(run) | {"error_pct": run.error_pct} for run in runs],
              "levels": levels, "median_s": None, "iterations": None, "shares": {},
              "answer_ok": False}
    head = at_level(runs, GOOD_PCT)
    if head is not None:
        own = [run.mesh for run in runs].index(head["simkit"])
        result |= head | {
            "median_s": head["simkit_s"], "iterations": runs[own].counts["iterations"],
            "shares": {"simkit_of_ccx": 1.0 / head["cpu_ratio"]},
            "simkit_process_s": process_seconds(meshes[own]),
            "aims": {"ratio": head["cpu_ratio"] >= AIM},
            "answer_ok": all(abs(v) <= PLATE_PCT for v in plate.values())}
    return result


HEAD = ("code    mesh                                             depth %  crown %  force %  "
        "shape %  error %   wall s    cpu s  iterations")


def line(run: Run) -> str:
    """One line of the table."""
    values = [f"{run.errors_pct[key]:+9.2f}" for key in ("residual_depth", "crown", "peak_force")]
    return (f"{run.code:7s} {run.mesh:47s}{''.join(values)}{run.errors_pct['shape']:9.2f}"
            f"{run.error_pct:9.2f}{run.wall_s:9.2f}{run.cpu_s:9.2f}"
            f"{run.counts['iterations']:12.0f}")


def report(result: dict, stored: dict) -> str:
    """The result for people."""
    apart = errors(stored["simkit"]["numbers"], np.array(stored["simkit"]["shape_mm"]),
                   stored["ccx"])
    lines = [f"clamped elastic plate, exact answer: ccx {result['plate_error_pct']['ccx']:+.2f} %, "
             f"simkit {result['plate_error_pct']['simkit']:+.2f} %",
             "fine simkit against fine ccx (the reference): "
             + ", ".join(f"{key} {value:+.2f} %" for key, value in apart.items()), ""]
    for level in result["levels"]:
        lines.append(f"within {level['within_pct']:g} %: {level['cpu_ratio']:.0f} times faster by "
                     f"processor time ({level['ratio']:.0f} by the clock)")
        lines += [f"  {code:6s} {level[code]}: processor {level[code + '_cpu_s']:.2f} s, error "
                  f"{level[code + '_error_pct']:.2f} %" for code in ("simkit", "ccx")]
    if "ratio" in result:
        lines.append(f"\nheadline: {result['cpu_ratio']:.0f} times faster (aim {AIM:g}), both "
                     f"within {GOOD_PCT:g} %; the whole simkit process "
                     f"{result['simkit_process_s']:.1f} s")
    return "\n".join([*lines, f"answer ok: {result['answer_ok']}"])


def store_reference(code: str) -> None:
    """Make one of the references anew."""
    stored = json.loads(STORED.read_text()) if STORED.exists() else {}
    if code == "simkit":
        answer, mesh, version = solve_shell(CASE, REFERENCE_SHELL), asdict(REFERENCE_SHELL), ""
    else:
        with tempfile.TemporaryDirectory() as folder:
            answer = solve_solid(CASE, REFERENCE_SOLID, Path(folder))
        mesh, version = asdict(REFERENCE_SOLID), ccx.version()
    stored[code] = {
        "command": f"python benchmarks/against_calculix.py --reference {code}", "mesh": mesh,
        "version": version, "numbers": answer.numbers(), "counts": answer.counts,
        "cpu_s": answer.cpu_s,
        "shape_mm": [[round(float(d), 5) for d in row] for row in answer.coarse()]}
    STORED.parent.mkdir(exist_ok=True)
    fresh = STORED.with_suffix(".new")
    fresh.write_text(json.dumps(stored, sort_keys=True).replace("], [", "],\n[") + "\n")
    fresh.replace(STORED)


def main() -> int:
    """Measure, print a table or one JSON object; 1 if an answer is out of its limits."""
    parser = arguments(__doc__)
    parser.add_argument("--quick", action="store_true", help="one CalculiX run, under a minute")
    parser.add_argument("--threads", type=int, default=1, help="of both codes")
    parser.add_argument("--repeats", type=int, default=3, help="of simkit's runs")
    parser.add_argument("--reference", choices=("ccx", "simkit"), help="make it anew and store it")
    parser.add_argument("--one", nargs=4, metavar=("FINE", "DEGREE", "LAYERS", "INCREMENT"),
                        help="one simkit run, nothing printed")
    options = parser.parse_args()
    numba.set_num_threads(min(options.threads, numba.config.NUMBA_NUM_THREADS))
    if options.one:
        fine, degree, layers, increment = options.one
        solve_shell(CASE, ShellMesh(float(fine), int(degree), int(layers), float(increment),
                                    options.threads))
        return 0
    if options.reference != "simkit" and not ccx.installed():
        print(json.dumps({"skipped": ccx.MISSING}) if options.json else f"skipped: {ccx.MISSING}")
        return 0
    if options.reference:
        store_reference(options.reference)
        return 0
    stored = json.loads(STORED.read_text())
    if not options.json:
        print(HEAD, file=sys.stderr)
    result = compare(options, stored)
    key = f"{'quick' if options.quick else 'all'}, {options.threads} thread(s)"
    return finish("against_calculix", key, result, report(result, stored), options)


if __name__ == "__main__":
    raise SystemExit(main())
