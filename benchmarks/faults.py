"""Can the checks fail? Put faults into a copy of the code, one at a time, and see what notices.

Run: python benchmarks/faults.py [--only NAME ...] [--write]

Each fault is a replacement of text that must be found exactly once. In the copy the quick problems
of the verification manual are solved (a problem that raises or does not converge counts as
noticing), then, if none noticed, the tests named by the fault. `--write` renews
benchmarks/results/faults.csv and docs/verification/faults.md. About a minute a fault, most of it
compilation.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
RESULTS = ROOT / "benchmarks" / "results" / "faults.csv"
PAGE = ROOT / "docs" / "verification" / "faults.md"
PROBLEMS = (
    "rigid-rotation", "patch-test", "convergence-rates", "small-square-plate",
    "small-circular-plate", "cantilever-shear", "cantilever-moment", "sphere-under-a-point",
    "strip-springback", "tension-and-stretch", "reversed-tension", "plate-under-pressure",
    "plate-under-a-ball", "cap-under-a-ball")
SOLVE = """
import json, sys
from simkit.study.problems.catalogue import QUICK
found = {}
for name in sys.argv[1:]:
    try:
        bad = [c.line() for c in QUICK[name]() if not c.ok and not c.known]
    except Exception as error:
        bad = [f"raised {type(error).__name__}"]
    if bad:
        found[name] = bad[0]
print(json.dumps(found))
"""


@dataclass(frozen=True)
class Fault:
    """A fault: what it is, file, text and what it becomes, tests asked where no problem notices."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...] = ("tests/equilibrium", "tests/shell", "tests/sheet/test_j2.py")


KERNELS, LANES = "simkit/shell/kernels.py", "simkit/shell/lanes.py"
J2, LOG = "simkit/sheet/j2.py", "simkit/shell/logstrain.py"
FAULTS = (
    Fault("second variation of curvature dropped", KERNELS,
          "left = mh_i * q[j, r] + normal * a3[r]", "left = 0.0 * mh_i"),
    Fault("wrong layer weights", "simkit/shell/section.py",
          "return Layers(0.5 * nodes, 0.5 * weights)",
          "return Layers(0.5 * nodes, 0.0 * weights + 1.0 / count)"),
    Fault("elastic unloading skipped", J2,
          "    if mises0 <= q0 * (1.0 + 1e-12):", "    if mises0 <= 0.2 * q0:"),
    Fault("backstress with the wrong sign", J2,
          "        bs += a * old[at]\n", "        bs -= a * old[at]\n"),
    Fault("contact on the wrong face", "simkit/equilibrium/contact.py",
          "deep = sizes[0] + offset[k] - distance", "deep = sizes[0] - offset[k] - distance"),
    Fault("shear transformed without its factor two", "simkit/shell/geometry.py",
          "shear = 2 * np.stack", "shear = 1 * np.stack"),
    Fault("curvature change with the wrong sign", LANES,
          "k0 = geo[e + 3 * elements] - (x11", "k0 = -geo[e + 3 * elements] + (x11"),
    Fault("tangent without the hardening slope", J2,
          "    fall = slope - h\n", "    fall = slope\n"),
    Fault("held edges free to turn", "simkit/panel/edges.py",
          "HELD = Edge((True, True, True), rotation_held=True)",
          "HELD = Edge((True, True, True), rotation_held=False)"),
    Fault("plane strain where plane stress is meant", J2,
          "    d1 = young / (1.0 - nu)\n    shear", "    d1 = young / (1.0 - 2.0 * nu)\n    shear"),
    Fault("logarithmic strain taken for Green's", LOG,
          "    h[0] = 0.5 * math.log(det)\n", "    h[0] = e[0]\n"),
    Fault("forces side by side: a factor of bending lost", LANES,
          "turn[t + 6 * LANES + lane] = -b11 * nx", "turn[t + 6 * LANES + lane] = -0.9 * b11 * nx"),
    Fault("energy of the glue left out of the books", "simkit/equilibrium/advance.py",
          "process.work += drive.given - drive.now.reading.held_Nmm",
          "process.work += drive.given", ("tests/repair", "tests/cli/test_run.py",
                                          "tests/equilibrium")),
    Fault("plastic work counted by half", J2,
          "    work = 0.5 * (q0 + q) * u\n", "    work = 0.25 * (q0 + q) * u\n",
          ("tests/reference_fe", "tests/equilibrium")),
    Fault("convergence far too loose", "simkit/solve/nonlinear/newton.py",
          "    force_tolerance: float = 1e-6\n    work_tolerance: float = 1e-9\n",
          "    force_tolerance: float = 0.3\n    work_tolerance: float = 1.0\n"),
    Fault("symmetric sides not tied", "simkit/panel/edges.py",
          "                    ties.append((number[first, axis], number[second, axis]))\n",
          "                    pass\n"),
)


def copy_of_tree(folder: Path) -> None:
    """The tracked files."""
    names = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True)
    listed = [n for n in names.stdout.split(b"\0") if n and (ROOT / os.fsdecode(n)).exists()]
    packed = subprocess.run(["tar", "--create", "--null", "--files-from=-"], cwd=ROOT, check=True,
                            input=b"\0".join(listed), capture_output=True)
    subprocess.run(["tar", "--extract", "--directory", str(folder)], check=True,
                   input=packed.stdout)


def noticed(folder: Path, fault: Fault | None) -> tuple[dict[str, str], str]:
    """Problems that notice with their first wrong number; the first failing test, if asked."""
    with tempfile.TemporaryDirectory() as cache:
        environment = {**os.environ, "NUMBA_CACHE_DIR": cache, "OPENBLAS_NUM_THREADS": "1",
                       "PYTHONPATH": str(folder)}
        run = subprocess.run([sys.executable, "-c", SOLVE, *PROBLEMS], cwd=folder,
                             env=environment, capture_output=True, text=True, check=False)
        if run.returncode != 0:
            return {"every problem": run.stderr.strip().splitlines()[-1]}, ""
        found = json.loads(run.stdout.strip().splitlines()[-1])
        if found or fault is None:
            return found, ""
        tests = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider",
             *fault.tests], cwd=folder, env=environment, capture_output=True, text=True,
            check=False)
        failed = [line for line in tests.stdout.splitlines() if line.startswith("FAILED")]
        return {}, failed[0].split(" - ")[0].removeprefix("FAILED ") if failed else ""


def try_fault(folder: Path, fault: Fault) -> dict[str, str]:
    """Apply, look, revert."""
    file = folder / fault.file
    text = file.read_text("utf-8")
    if text.count(fault.old) != 1:
        raise SystemExit(f"{fault.name}: found {text.count(fault.old)} times in {fault.file}: "
                         f"{fault.old!r}; bring the fault up to date")
    start = time.perf_counter()
    file.write_text(text.replace(fault.old, fault.new), "utf-8")
    try:
        problems, test = noticed(folder, fault)
    finally:
        file.write_text(text, "utf-8")
    first = next(iter(problems.values()), test)
    return {"fault": fault.name, "file": fault.file, "problems": ", ".join(problems),
            "test": test, "first": " ".join(first.split()),
            "seconds": f"{time.perf_counter() - start:.0f}"}


def page(rows: list[dict[str, str]]) -> str:
    """The manual's page."""
    missed = sum(not row["problems"] and not row["test"] for row in rows)
    lines = ["# Can the checks fail?", "",
             f"{len(rows)} faults were put into a copy of the code, one at a time, and taken out "
             f"again; {len(rows) - missed} were noticed, {missed} not. First the quick problems of "
             "the manual were solved, then, where none noticed, the tests named with the fault. "
             "Without a fault all of them pass.", "",
             "| fault | file | problems that notice | else the test |", "|---|---|---|---|"]
    for row in rows:
        nothing = "" if row["problems"] or row["test"] else "**nothing**"
        lines.append(f"| {row['fault']} | `{row['file']}` | {row['problems'] or nothing} | "
                     f"{'`' + row['test'] + '`' if row['test'] else ''} |")
    return "\n".join([*lines, "", "Made by `python benchmarks/faults.py --write`.", ""])


def main() -> int:
    """Try the faults; 1 if one is noticed by nothing."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="+", metavar="NAME", default=[])
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    chosen = [f for f in FAULTS if not options.only or f.name in options.only]
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        copy_of_tree(folder)
        clean, _ = noticed(folder, None)
        print(f"without a fault: {clean or 'all pass'}", flush=True)
        if clean:
            return 2
        for fault in chosen:
            rows.append(try_fault(folder, fault))
            row = rows[-1]
            print(f"{row['fault']:45s} {row['seconds']:>4s} s  "
                  f"{row['problems'] or row['test'] or 'NOTHING NOTICED'}", flush=True)
            if options.write and not options.only:
                write(rows)
    return int(any(not row["problems"] and not row["test"] for row in rows))


def write(rows: list[dict[str, str]]) -> None:
    """The table and the page, as far as they are."""
    with open(RESULTS, "w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, tuple(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    PAGE.write_text(page(rows), "utf-8")


if __name__ == "__main__":
    sys.exit(main())
