"""The manual's page about faults that were put into the code."""

from __future__ import annotations


def page(rows: list[dict[str, str]]) -> str:
    """The manual's page."""
    missed = sum(not row["caught_by"] for row in rows)
    lines = ["# Can the checks fail?", "",
             f"{len(rows)} faults were put into the code one at a time; {len(rows) - missed} "
             f"were noticed, {missed} not.", "",
             "A script copies the tracked files, replaces one text in one file (it stops if the "
             "text is not found exactly once), compiles afresh what is built on that file, runs "
             "the checks named with the fault until one notices, and puts the file back. The "
             "checks are tests, and quick problems of this manual by their names. They were "
             "chosen by what ought to notice, partly knowing what had noticed in earlier runs; "
             "those asked before in vain are shown too. A problem that raises, or finds no answer, "
             "counts as noticing. Without a fault all of them pass, or nothing is tried. The exact "
             "texts, the first wrong number and the seconds are in "
             "`benchmarks/results/faults.csv`.", "",
             "| fault | file | noticed by | asked before in vain |", "|---|---|---|---|"]
    for row in rows:
        passed = row["passed_before"].split("; ") if row["passed_before"] else []
        lines.append(f"| {row['fault']} | `{row['file']}` | "
                     f"{short(row['caught_by']) if row['caught_by'] else '**nothing**'} | "
                     f"{'; '.join(map(short, passed))} |")
    return "\n".join([*lines, "", "Made by `python benchmarks/faults.py --write`.", ""])


def short(name: str) -> str:
    """A problem by its name, a test by its last part."""
    return f"`{name.split('::')[-1]}`" if name.startswith("tests/") else name
