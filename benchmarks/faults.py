"""Can the checks fail? Put faults into a copy of the code, one at a time, and see what notices.

Run: python benchmarks/faults.py [--only NAME ...] [--write] [--check]

The tracked files are copied to a temporary folder. There a fault replaces a text that must be
found exactly once; the tests and quick problems named with it are run until one notices; the file
is put back. First the checks of all faults to be tried are run without a fault and must pass, which
also compiles the kernels. A fault in a kernel's file drops the compiled kernels of every file that
imports it, since numba looks only at a kernel's own file; a fault elsewhere costs its checks alone.

`--write` keeps each row as it is done in benchmarks/results/faults.csv, with a digest of the fault,
its checks and the file it changes, and renews docs/verification/faults.md. Rows whose digest still
holds are not tried again: an interrupted run goes on; the page tells apart what was tried on the
file as it is, what on an earlier state of it, and what was not tried. `--check` runs nothing and
says which faults cannot be put in and which rows are missing or out of date. Exit code 0: all
noticed; 1: some fault noticed by nothing; 2: a check fails without a fault, or a fault's text is
not found exactly once.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from faults_list import FAULTS, Fault
from faults_page import COLUMNS, page, rows_of

from simkit.files import write_table

ROOT = Path(__file__).resolve().parents[1]
RESULTS = ROOT / "benchmarks" / "results" / "faults.csv"
PAGE = ROOT / "docs" / "verification" / "faults.md"
LONGEST_S = 1200.0
"""A list of checks that takes longer is ended, and that counts as noticing."""
NONE = "no fault"
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
    if bad:
        break
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


def python(folder: Path, *arguments: str) -> tuple[int | None, str, str]:
    """Exit code (None: ended for taking too long), output and errors of Python in the copy."""
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(folder),
                   "PYTHONDONTWRITEBYTECODE": "1"}
    environment.pop("NUMBA_CACHE_DIR", None)  # kernels are kept beside the copied code
    try:
        run = subprocess.run([sys.executable, *arguments], cwd=folder, env=environment,
                             capture_output=True, text=True, check=False, timeout=LONGEST_S)
    except subprocess.TimeoutExpired as late:
        return None, (late.stdout or b"").decode(), ""
    return run.returncode, run.stdout, run.stderr


def solved(folder: Path, names: tuple[str, ...]) -> dict[str, str]:
    """Problems up to the first that is wrong: its first wrong number, empty where all are right."""
    if not names:
        return {}
    code, output, errors = python(folder, "-c", SOLVE, *names)
    found = dict(json.loads(line.removeprefix("FOUND "))
                 for line in output.splitlines() if line.startswith("FOUND "))
    last = errors.strip().splitlines()[-1:] or ["no output"]
    if not any(found.values()) and len(found) < len(names):  # the process ended on the way
        found[names[len(found)]] = last[0] if code is not None else f"no end in {LONGEST_S:.0f} s"
    return found


def tested(folder: Path, names: tuple[str, ...]) -> dict[str, str]:
    """Files or tests up to the first that fails: what failed, empty where all pass."""
    if not names:
        return {}
    code, output, errors = python(folder, "-m", "pytest", "-q", "-x", "-n", "0", "-p",
                                  "no:cacheprovider", *names)
    if code is None:
        return {", ".join(names): f"no end in {LONGEST_S:.0f} s"}
    failed = re.findall(r"^(?:FAILED|ERROR) (.+?)(?: - (.*))?$", output, re.MULTILINE)
    if code not in (0, 1, 2) or bool(code) != bool(failed):
        raise Stale(f"pytest {' '.join(names)} ended with code {code}: {(errors or output)[-600:]}")
    found: dict[str, str] = {}
    for name in names:
        found[name] = next((f"{test} {why}".strip() for test, why in failed
                            if test.startswith(name) or name.startswith(test)), "")
        if found[name]:
            break
    return found


def checked(folder: Path, problems: tuple[str, ...], tests: tuple[str, ...]) -> dict[str, str]:
    """What the checks say, empty where one passes, up to the first that notices."""
    found = tested(folder, tests)
    return found if any(found.values()) else {**found, **solved(folder, problems)}


def changed(fault: Fault) -> str:
    """What was changed, on one line."""
    return " -> ".join(" ".join(part.split()) for part in (fault.old, fault.new))


def exact_once(folder: Path, fault: Fault) -> str:
    """The text of the fault's file, in which what it replaces stands exactly once.

    Raises
    ------
    Stale : it does not, or what it becomes is no Python any more.
    """
    text = (folder / fault.file).read_text("utf-8")
    count = text.count(fault.old)
    if count != 1:
        raise Stale(f"{fault.name}: found {count} times in {fault.file}, expected once: "
                    f"{fault.old!r}; bring the fault up to date")
    try:
        ast.parse(text.replace(fault.old, fault.new))
    except SyntaxError as error:
        raise Stale(f"{fault.name}: {fault.file} would not be read: {error}") from None
    return text


def digest_of(fault: Fault) -> str:
    """What a row hangs on: the fault, its checks, and the file it changes."""
    what = [fault.name, fault.file, fault.old, fault.new, *fault.problems, "", *fault.tests,
            (ROOT / fault.file).read_text("utf-8")]
    return hashlib.sha256("\0".join(what).encode()).hexdigest()[:16]


def users_of(folder: Path, file: str) -> list[Path]:
    """A file and all that import it, through others too."""
    imports: dict[str, set[str]] = {}
    for place in (folder / "simkit").rglob("*.py"):
        name = str(place.relative_to(folder))
        imports[name] = {f"{module.replace('.', '/')}.py" for module in re.findall(
            r"^(?:from|import) (simkit\.[\w.]+)", place.read_text("utf-8"), re.MULTILINE)}
        imports[name] |= {f"{module.replace('.', '/')}/{word}.py" for module, words in re.findall(
            r"^from (simkit[\w.]*) import ([\w, ]+)", place.read_text("utf-8"), re.MULTILINE)
            for word in words.split(", ")}
    found, waiting = {file}, [file]
    while waiting:
        one = waiting.pop()
        new = {name for name, used in imports.items() if one in used} - found
        found |= new
        waiting += new
    return [folder / name for name in sorted(found)]


@contextmanager
def put_in(folder: Path, fault: Fault) -> Iterator[None]:
    """The fault in the copy, kernels that are built on its file dropped; afterwards as before."""
    text, file = exact_once(folder, fault), folder / fault.file
    stamp = file.stat()
    kept: dict[Path, bytes] = {}
    places = users_of(folder, fault.file) if "njit" in text else []

    def kernels() -> Iterator[Path]:
        for place in places:
            yield from (place.parent / "__pycache__").glob(f"{place.stem}.*.nb[ci]")

    for place in list(kernels()):
        kept[place] = place.read_bytes()
        place.unlink()
    file.write_text(text.replace(fault.old, fault.new), "utf-8")
    try:
        yield
    finally:
        file.write_text(text, "utf-8")
        os.utime(file, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
        for place in list(kernels()):
            place.unlink()
        for place, data in kept.items():
            place.write_bytes(data)


def row_of(name: str, file: str, change: str, found: dict[str, str], start: float,
           digest: str) -> dict[str, str]:
    """A row of the table."""
    first = next((said for said in found.values() if said), "")
    return {"fault": name, "file": file, "changed": change,
            "caught_by": "; ".join(n for n, said in found.items() if said),
            "passed_before": "; ".join(n for n, said in found.items() if not said),
            "first_failing": " ".join(first.split())[:300],
            "seconds": f"{time.perf_counter() - start:.0f}", "digest": digest}


def try_fault(folder: Path, fault: Fault) -> dict[str, str]:
    """Apply, look, put back."""
    start, digest = time.perf_counter(), digest_of(fault)
    with put_in(folder, fault):
        found = checked(folder, fault.problems, fault.tests)
    return row_of(fault.name, fault.file, changed(fault), found, start, digest)


def without_fault(folder: Path, faults: list[Fault]) -> dict[str, str]:
    """All checks together on the code as it is: what fails, empty for nothing."""
    return checked(folder, tuple(dict.fromkeys(p for f in faults for p in f.problems)),
                   tuple(dict.fromkeys(t for f in faults for t in f.tests)))


def kept_rows() -> dict[str, dict[str, str]]:
    """Rows that still hold."""
    digests = {f.name: digest_of(f) for f in FAULTS}
    return {name: row for name, row in rows_of(RESULTS).items()
            if row["digest"] == digests.get(name)}


def write(rows: dict[str, dict[str, str]]) -> None:
    """Table and page, in the order of the list; rows of an earlier state of the file that a fault
    changes are kept and said to be such, until the fault is tried again."""
    listed = {f.name: f for f in FAULTS}
    older = {name: row | {"file": listed[name].file} for name, row in rows_of(RESULTS).items()
             if name not in rows and name in listed and row["changed"] == changed(listed[name])}
    kept = rows | older
    write_table(RESULTS, COLUMNS, [kept[f.name] for f in FAULTS if f.name in kept])
    PAGE.write_text(page([rows[f.name] for f in FAULTS if f.name in rows],
                         [older[f.name] for f in FAULTS if f.name in older],
                         [f.name for f in FAULTS if f.name not in rows | older]), "utf-8")


def run(chosen: list[Fault], store: bool) -> int:
    """Try the faults that have no row yet and say what was found."""
    begin, rows = time.perf_counter(), kept_rows()
    left = [f for f in chosen if f.name not in rows or not store]
    for fault in FAULTS:
        exact_once(ROOT, fault)
    print(f"{len(chosen) - len(left)} rows hold, {len(left)} faults to try", flush=True)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name).resolve()
        copy_of_tree(folder)
        clean = without_fault(folder, left)
        if any(clean.values()):
            print(f"{NONE}: {next(filter(None, clean.values()))}", file=sys.stderr)
            return 2
        print(f"{NONE:56s} {time.perf_counter() - begin:4.0f} s  all pass", flush=True)
        for fault in left:
            rows[fault.name] = row = try_fault(folder, fault)
            print(f"{fault.name:56s} {row['seconds']:>4s} s  "
                  f"{row['caught_by'] or 'NOTHING NOTICED'}", flush=True)
            if store:
                write(rows)
    if store:
        write(rows)
    print(f"{time.perf_counter() - begin:.0f} s in all")
    return int(any(not rows[f.name]["caught_by"] for f in chosen))


def complaints() -> list[str]:
    """Faults that cannot be put in, and checks of theirs that are not there."""
    from simkit.verification.problems.catalogue import QUICK

    found = []
    for fault in FAULTS:
        try:
            exact_once(ROOT, fault)
        except (Stale, OSError) as error:
            found.append(str(error))
        found += [f"{fault.name}: no problem {name}" for name in fault.problems
                  if name not in QUICK]
        for test in fault.tests:
            file, *names = re.sub(r"\[.*", "", test).split("::")
            text = (ROOT / file).read_text("utf-8") if (ROOT / file).is_file() else ""
            if not text or any(f"def {name}(" not in text for name in names):
                found.append(f"{fault.name}: no test {test}")
        if not (fault.problems or fault.tests):
            found.append(f"{fault.name}: nothing is asked")
    return found


def main() -> int:
    """Read the options; 0, 1 or 2 as said above."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="+", metavar="NAME", default=[])
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--check", action="store_true", help="run nothing")
    options = parser.parse_args()
    unknown = set(options.only) - {f.name for f in FAULTS}
    if unknown:
        parser.error(f"no such fault: {', '.join(sorted(unknown))}; there are: "
                     + ", ".join(f.name for f in FAULTS))
    if options.check:
        wrong, rows = complaints(), kept_rows()
        print("\n".join([*wrong, *(f"{f.name}: row missing or out of date" for f in FAULTS
                                   if f.name not in rows)]))
        return 2 if wrong else 0
    try:
        return run([f for f in FAULTS if not options.only or f.name in options.only],
                   options.write)
    except Stale as stale:
        print(stale, file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
