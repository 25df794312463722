"""The table of faults that were put into the code, kept as CSV and as a page of the manual."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

Row = dict[str, str]
COLUMNS = ("fault", "file", "changed", "caught_by", "passed_before", "first_failing", "seconds",
           "digest")
HEAD = ["| fault | file | noticed by | asked before in vain |", "|---|---|---|---|"]


def rows_of(file: Path) -> dict[str, Row]:
    """Rows that were kept, by their fault; those of an earlier form have no digest."""
    if not file.exists():
        return {}
    with open(file, newline="", encoding="utf-8") as stream:
        return {row["fault"]: {column: row.get(column) or "" for column in COLUMNS}
                for row in csv.DictReader(stream)}


def page(rows: Sequence[Row], older: Sequence[Row], missing: Sequence[str]) -> str:
    """The manual's page: tried on the code as it is, on an earlier state, not tried."""
    missed = sum(not row["caught_by"] for row in rows)
    lines = ["# Can the checks fail?", "",
             f"{len(rows) + len(older) + len(missing)} faults are listed. {len(rows)} were put "
             f"into the code as it is, one at a time: {len(rows) - missed} were noticed, {missed} "
             f"not. {len(older)} were tried before the file they change was last changed, "
             f"{len(missing)} have not been tried yet.", "",
             "A script copies the tracked files, replaces one text in one file (it stops if the "
             "text is not found exactly once), compiles afresh what is built on that file, runs "
             "the checks named with the fault until one notices, and puts the file back. The "
             "checks are tests, and quick problems of this manual by their names. They were "
             "chosen by what ought to notice, partly knowing what had noticed in earlier runs; "
             "those asked before in vain are shown too. A problem that raises, or finds no answer, "
             "counts as noticing. Without a fault all of them pass, or nothing is tried. The exact "
             "texts, the first wrong number and the seconds are in "
             "`benchmarks/results/faults.csv`.", ""]
    if rows:
        lines += [*HEAD, *map(_line, rows), ""]
    if older:
        lines += ["## Tried on an earlier state of the file", "",
                  "That each can still be put in, and that its checks are there, is tested.", "",
                  *HEAD, *map(_line, older), ""]
    if missing:
        lines += ["## Not tried yet", "", *(f"- {name}" for name in missing), ""]
    return "\n".join([*lines, "Made by `python benchmarks/faults.py --write`.", ""])


def _line(row: Row) -> str:
    caught = "; ".join(map(_short, row["caught_by"].split("; "))) if row["caught_by"] else ""
    passed = row["passed_before"].split("; ") if row["passed_before"] else []
    return (f"| {row['fault']} | `{row['file']}` | {caught or '**nothing**'} | "
            f"{'; '.join(map(_short, passed))} |")


def _short(name: str) -> str:
    """A problem by its name, a test by its last part."""
    return f"`{name.split('::')[-1]}`" if name.startswith("tests/") else name
