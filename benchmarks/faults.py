"""Can the checks fail? Put faults into a copy of the code, one at a time, and see what notices.

Run: python benchmarks/faults.py [--only NAME ...] [--write]

The tracked files are copied to a temporary folder. There a fault replaces a text that must be
found exactly once; the quick problems and tests named with the fault are run, all of them; the
file is put back. First everything is run without a fault and must pass. Compiled kernels are kept
nowhere between faults, since numba looks only at a kernel's own file: that costs about half a
minute a fault, a quarter of an hour in all on one core.

`--write` renews benchmarks/results/faults.csv and docs/verification/faults.md. With `--only` it
renews those rows alone; rows of faults whose text was altered since are dropped. Exit code 0: all
noticed; 1: some fault noticed by nothing; 2: a check fails without a fault, or a fault's text is
not found exactly once.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from faults_list import FAULTS, Fault

ROOT = Path(__file__).resolve().parents[1]
RESULTS = ROOT / "benchmarks" / "results" / "faults.csv"
PAGE = ROOT / "docs" / "verification" / "faults.md"
LONGEST_S = 240.0
"""A list of checks that takes longer is ended, and that counts as noticing."""
NONE = "no fault"
COLUMNS = ("fault", "file", "changed", "caught_by", "passed_anyway", "first_failing", "seconds")
SOLVE = """
import json, pathlib, sys
import simkit
from simkit.verification.problems.catalogue import QUICK
assert pathlib.Path(simkit.__file__).is_relative_to(pathlib.Path.cwd()), simkit.__file__
for name in sys.argv[1:]:
    try:
        bad = [c.line() for c in QUICK[name]() if not c.ok and not c.known]
    except Exception as error:
        bad = [f"raised {type(error).__name__}: {error}"]
    print("FOUND", json.dumps([name, bad[0] if bad else ""]), flush=True)
"""


class Stale(Exception):
    """The script no longer fits the code: its one sentence says where."""


def copy_of_tree(folder: Path) -> None:
    """The tracked files as they stand in the working tree."""
    names = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True)
    listed = [n for n in names.stdout.split(b"\0") if n and (ROOT / os.fsdecode(n)).exists()]
    packed = subprocess.run(["tar", "--create", "--null", "--files-from=-"], cwd=ROOT, check=True,
                            input=b"\0".join(listed), capture_output=True)
    subprocess.run(["tar", "--extract", "--directory", str(folder)], check=True,
                   input=packed.stdout)


def python(folder: Path, cache: str, *arguments: str) -> tuple[int | None, str, str]:
    """Exit code (None: ended for taking too long), output and errors of Python in the copy."""
    environment = {**os.environ, "NUMBA_CACHE_DIR": cache, "OPENBLAS_NUM_THREADS": "1",
                   "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        run = subprocess.run([sys.executable, *arguments], cwd=folder, env=environment,
                             capture_output=True, text=True, check=False, timeout=LONGEST_S)
    except subprocess.TimeoutExpired as late:
        return None, (late.stdout or b"").decode(), ""
    return run.returncode, run.stdout, run.stderr


def solved(folder: Path, cache: str, names: tuple[str, ...]) -> dict[str, str]:
    """Problems: the first wrong number of each, empty where all are right."""
    if not names:
        return {}
    code, output, errors = python(folder, cache, "-c", SOLVE, *names)
    found = dict(json.loads(line.removeprefix("FOUND "))
                 for line in output.splitlines() if line.startswith("FOUND "))
    last = errors.strip().splitlines()[-1:] or ["no output"]
    for name in names:
        if name not in found:
            found[name] = last[0] if code is not None else f"no end within {LONGEST_S:.0f} s"
            break
    return found


def tested(folder: Path, cache: str, names: tuple[str, ...]) -> dict[str, str]:
    """Tests: the first failing test of each file or test named, empty where all pass."""
    if not names:
        return {}
    code, output, errors = python(folder, cache, "-m", "pytest", "-q", "-n", "0", "-p",
                                  "no:cacheprovider", *names)
    if code is None:
        return {", ".join(names): f"no end within {LONGEST_S:.0f} s"}
    failed = re.findall(r"^(?:FAILED|ERROR) (\S+)(?: - (.*))?$", output, re.MULTILINE)
    if code not in (0, 1, 2) or bool(code) != bool(failed):
        raise Stale(f"pytest {' '.join(names)} ended with code {code}: {(errors or output)[-600:]}")
    found = dict.fromkeys(names, "")
    for test, why in reversed(failed):
        for name in names:
            if test.startswith(name) or name.startswith(test):
                found[name] = f"{test} {why}".strip()
    return found


def checked(folder: Path, problems: tuple[str, ...], tests: tuple[str, ...]) -> dict[str, str]:
    """Every check asked with what it says, empty where it passes; kernels compiled afresh."""
    with tempfile.TemporaryDirectory() as cache:
        return {**solved(folder, cache, problems), **tested(folder, cache, tests)}


def changed(fault: Fault) -> str:
    """What was changed, on one line."""
    return " -> ".join(" ".join(part.split()) for part in (fault.old, fault.new))


def row_of(name: str, file: str, change: str, found: dict[str, str],
           start: float) -> dict[str, str]:
    """A row of the table."""
    first = next((said for said in found.values() if said), "")
    return {"fault": name, "file": file, "changed": change,
            "caught_by": "; ".join(n for n, said in found.items() if said),
            "passed_anyway": "; ".join(n for n, said in found.items() if not said),
            "first_failing": " ".join(first.split()),
            "seconds": f"{time.perf_counter() - start:.0f}"}


def exact_once(folder: Path, fault: Fault) -> str:
    """The text of the fault's file, in which what it replaces stands exactly once."""
    text = (folder / fault.file).read_text("utf-8")
    count = text.count(fault.old)
    if count != 1:
        raise Stale(f"{fault.name}: found {count} times in {fault.file}, expected once: "
                    f"{fault.old!r}; bring the fault up to date")
    return text


def try_fault(folder: Path, fault: Fault) -> dict[str, str]:
    """Apply, look, put back."""
    text, start = exact_once(folder, fault), time.perf_counter()
    file = folder / fault.file
    file.write_text(text.replace(fault.old, fault.new), "utf-8")
    try:
        found = checked(folder, fault.problems, fault.tests)
    finally:
        file.write_text(text, "utf-8")
    return row_of(fault.name, fault.file, changed(fault), found, start)


def without_fault(folder: Path, faults: list[Fault]) -> dict[str, str]:
    """All lists together on the code as it is."""
    start = time.perf_counter()
    found = checked(folder, tuple(dict.fromkeys(p for f in faults for p in f.problems)),
                    tuple(dict.fromkeys(t for f in faults for t in f.tests)))
    return row_of(NONE, "", "", found, start)


def page(rows: list[dict[str, str]]) -> str:
    """The manual's page."""
    faults = [row for row in rows if row["fault"] != NONE]
    missed = sum(not row["caught_by"] for row in faults)
    lines = ["# Can the checks fail?", "",
             f"{len(faults)} faults were put into the code one at a time; {len(faults) - missed} "
             f"were noticed, {missed} not.", "",
             "A script copies the tracked files, replaces one text in one file (it stops if the "
             "text is not found exactly once), compiles afresh, runs the checks named with the "
             "fault and puts the file back. The checks are quick problems of this manual, by "
             "their names, and tests. They were chosen by what ought to notice, partly knowing "
             "what had noticed in earlier runs; those that did not are shown too. A problem that "
             "raises, or finds no answer, counts as noticing. Without a fault all of them pass "
             "(first row). The exact texts, the first wrong number and the seconds are in "
             "`benchmarks/results/faults.csv`.", "",
             "| fault | file | caught by | passed all the same |", "|---|---|---|---|"]
    for row in rows:
        passed = row["passed_anyway"].split("; ") if row["passed_anyway"] else []
        clean = row["fault"] == NONE
        caught = "; ".join(short(n) for n in row["caught_by"].split("; ") if n)
        lines.append(f"| {row['fault']} | {'`' + row['file'] + '`' if row['file'] else ''} | "
                     f"{caught or ('' if clean else '**nothing**')} | "
                     f"{f'all {len(passed)}' if clean else '; '.join(map(short, passed))} |")
    return "\n".join([*lines, "", "Made by `python benchmarks/faults.py --write`.", ""])


def short(name: str) -> str:
    """A problem by its name, a test by its last part."""
    return f"`{name.split('::')[-1]}`" if name.startswith("tests/") else name


def write(rows: list[dict[str, str]]) -> None:
    """Table and page, in the order of the list; rows not tried now are kept as they were."""
    texts = {f.name: changed(f) for f in FAULTS} | {NONE: ""}
    kept: dict[str, dict[str, str]] = {}
    if RESULTS.exists():
        with open(RESULTS, newline="", encoding="utf-8") as file:
            kept = {row["fault"]: row for row in csv.DictReader(file)
                    if tuple(row) == COLUMNS and row["changed"] == texts.get(row["fault"])}
    kept |= {row["fault"]: row for row in rows}
    ordered = [kept[name] for name in (NONE, *(f.name for f in FAULTS)) if name in kept]
    partial = RESULTS.with_suffix(".partial")
    with open(partial, "w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(ordered)
    partial.replace(RESULTS)
    PAGE.write_text(page(ordered), "utf-8")


def run(chosen: list[Fault], keep: bool) -> int:
    """Try the faults and say what was found."""
    start, rows = time.perf_counter(), []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name).resolve()
        copy_of_tree(folder)
        for fault in FAULTS:
            exact_once(folder, fault)
        clean = without_fault(folder, list(chosen))
        print(f"{NONE:52s} {clean['seconds']:>4s} s  "
              f"{clean['caught_by'] or 'all pass'}  {clean['first_failing']}", flush=True)
        if clean["caught_by"]:
            return 2
        if len(chosen) == len(FAULTS):
            rows.append(clean)
        for fault in chosen:
            rows.append(try_fault(folder, fault))
            row = rows[-1]
            print(f"{row['fault']:52s} {row['seconds']:>4s} s  "
                  f"{row['caught_by'] or 'NOTHING NOTICED'}", flush=True)
            if keep:
                write(rows)
    print(f"{time.perf_counter() - start:.0f} s in all")
    return int(any(not row["caught_by"] for row in rows if row["fault"] != NONE))


def main() -> int:
    """Read the options; 0, 1 or 2 as said above."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="+", metavar="NAME", default=[])
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    unknown = set(options.only) - {f.name for f in FAULTS}
    if unknown:
        parser.error(f"no such fault: {', '.join(sorted(unknown))}; there are: "
                     + ", ".join(f.name for f in FAULTS))
    try:
        return run([f for f in FAULTS if not options.only or f.name in options.only],
                   options.write)
    except Stale as stale:
        print(stale, file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
