"""The numbers of the verification manual: solves the problems and stores each one when finished."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simkit import __version__
from simkit.errors import InputError, nearest
from simkit.files import Damaged, load_json, read_back, write_json, write_table
from simkit.record.write import open_folder
from simkit.underway import beat, counted, over
from simkit.verification.problems.catalogue import MANUAL, QUICK
from simkit.verification.problems.check import Check
from simkit.verification.problems.second_opinion import LibraryMissing

COLUMNS = ("problem", "case", "quantity", "reference", "value", "error_pct", "limit_pct", "ok",
           "known", "kind_of_truth", "status", "source")
"""Columns of verification.csv."""


@dataclass(frozen=True)
class Solved:
    """A problem's rows of verification.csv, its time in seconds, and the reason if it was
    skipped."""

    name: str
    rows: tuple[dict[str, str], ...]
    seconds: float
    skipped: str = ""

    @property
    def failed(self) -> list[dict[str, str]]:
        """Rows beyond their limit without a known reason."""
        return [row for row in self.rows if row["ok"] != "yes" and not row["known"]]

    @property
    def departing(self) -> list[dict[str, str]]:
        """Rows beyond their limit for a known reason, such as an inaccurate reference."""
        return [row for row in self.rows if row["ok"] != "yes" and row["known"]]


def names(wanted: Sequence[str]) -> tuple[str, ...]:
    """The named problems, or all of them if none is named.

    Raises
    ------
    InputError : an unknown name.
    """
    for name in wanted:
        if name not in MANUAL:
            near = nearest(name, list(MANUAL))
            raise InputError(f"problem '{name}' is not known",
                             f"'{near}'" if near else "one of " + ", ".join(MANUAL))
    return tuple(dict.fromkeys(wanted)) or tuple(MANUAL)


def verify(wanted: Sequence[str], quick: bool, folder: Path,
           progress: Callable[[Solved], None]) -> list[Solved]:
    """Solve problems and extend verification.csv after each; finished ones are read from disk.

    Raises
    ------
    InputError : unknown name, or a folder that holds something else.
    """
    chosen = names(wanted)
    open_folder(folder, {"kind": "verification", "simkit": __version__, "quick": quick,
                         "problems": list(chosen)})
    problems = QUICK if quick else MANUAL
    done: list[Solved] = []
    for number, name in enumerate(chosen):
        counted(number, len(chosen), "problems")
        beat(name)
        file = folder / "problems" / f"{name}.json"
        solved = _read(name, file)
        if solved is None:
            solved = _solve(name, problems[name])
            write_json(file, {"rows": list(solved.rows), "seconds": solved.seconds,
                              "skipped": solved.skipped})
        done.append(solved)
        write_table(folder / "verification.csv", COLUMNS, [r for s in done for r in s.rows])
        progress(solved)
    over()
    return done


def _solve(name: str, problem: Callable[[], list[Check]]) -> Solved:
    start = time.perf_counter()
    try:
        checks = problem()
    except LibraryMissing as missing:
        return Solved(name, (), 0.0, str(missing))
    return Solved(name, tuple(row_of(name, check) for check in checks),
                  time.perf_counter() - start)


def _read(name: str, file: Path) -> Solved | None:
    try:
        data: dict[str, Any] = load_json(read_back(file))
        rows = tuple(data["rows"])
        # A file of an earlier version with other columns is solved again.
        whole = all(set(row) == set(COLUMNS) for row in rows)
        return Solved(name, rows, float(data["seconds"]), data["skipped"]) if whole else None
    except (OSError, Damaged, KeyError, TypeError, ValueError):
        return None


def row_of(name: str, check: Check) -> dict[str, str]:
    """A check as a row of verification.csv."""
    return {"problem": name, "case": check.case, "quantity": check.quantity,
            "reference": repr(float(check.reference)), "value": repr(float(check.value)),
            "error_pct": f"{check.error_pct:.4g}", "limit_pct": f"{check.limit_pct:g}",
            "ok": "yes" if check.ok else "no", "known": "" if check.ok else check.known,
            "kind_of_truth": check.truth.value,
            "status": check.status.value, "source": check.source}
