"""The verification manual: an index, and a page with a figure for each problem, from the table."""

from __future__ import annotations

import csv
import inspect
from collections import Counter
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simkit.errors import InputError
from simkit.files import write_atomic
from simkit.show.style import BAND, HIGH, INK, LOW, look, save
from simkit.verification.problems.catalogue import MANUAL

if TYPE_CHECKING:
    from matplotlib.figure import Figure

TEXTS = Path(__file__).with_name("statements")
"""Folder with the texts that state each problem."""
MORE = {"faults.md": "can the checks fail?", "sensitivity.md": "mesh, layers and increments"}
MADE = ("Made by `simkit verify --full --manual docs/verification`; do not edit by hand. The "
        "statements of the problems are in `simkit/verification/statements/`.")


def write_manual(folder: Path, out: Path) -> Path:
    """Write index.md, and a page and a figure for each problem in ``folder``/verification.csv.

    Returns the path of the index. Raises InputError if the table cannot be read.
    """
    try:
        with open(folder / "verification.csv", newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
    except OSError as error:
        raise InputError("the table of checks cannot be read", "a folder of simkit verify",
                         str(folder / "verification.csv")) from error
    by_problem: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        by_problem.setdefault(row["problem"], []).append(row)
    _spare(out, [out / "index.md", *(out / f"{name}.md" for name in by_problem)])
    with look():
        for name, own in by_problem.items():
            save(error_figure(name, own), out / "figures" / f"{name}.png")
    for name, own in by_problem.items():
        write_atomic(out / f"{name}.md", _page(name, own).encode())
    write_atomic(out / "index.md", _index(by_problem, out).encode())
    return out / "index.md"


def _spare(out: Path, pages: list[Path]) -> None:
    """Refuse to overwrite files that are not pages of the manual."""
    for page in pages:
        try:
            # Every page of the manual contains this sentence.
            ours = not page.exists() or MADE.split(";")[0] in page.read_text("utf-8")
        except (OSError, UnicodeDecodeError):
            ours = False
        if not ours:
            raise InputError("would be overwritten, but is not a page of the manual",
                             "another folder for --manual", str(page))


def _title(name: str) -> str:
    text = _text(name)
    return text.splitlines()[0].lstrip("# ") if text else name.replace("-", " ").capitalize()


def _text(name: str) -> str:
    file = TEXTS / f"{name}.md"
    return file.read_text("utf-8").strip() if file.exists() else ""


def _page(name: str, rows: list[dict[str, str]]) -> str:
    lines = [_text(name) or f"# {_title(name)}", "", "## What came out", "",
             f"![Errors of {name}](figures/{name}.png)", "",
             "| part | quantity | reference | simkit | error % | limit % | within |",
             "|---|---|---|---|---|---|---|"]
    lines += [f"| {r['case']} | {r['quantity']} | {float(r['reference']):.6g} | "
              f"{float(r['value']):.6g} | {float(r['error_pct']):+.3g} | {r['limit_pct']} | "
              f"{r['ok']} |" for r in rows]
    why = dict.fromkeys(f"- Beyond its limit: {r['quantity']} of {r['case']}: {r['known']}."
                        for r in rows if r["known"])
    lines += ["", *why] if why else []
    lines += ["", "## Where the references are from", ""]
    seen: dict[tuple[str, str, str], int] = Counter(
        (r["kind_of_truth"], r["source"], r["status"]) for r in rows)
    lines += [f"- {kind}: {source} ({status}; {count} checks)"
              for (kind, source, status), count in seen.items()]
    lines += ["", "## The same in Python", "", "The code of this page, on the public interface:",
              "", "```python", _source(name), "```", "", MADE, ""]
    return "\n".join(lines)


def _source(name: str) -> str:
    problem: Any = MANUAL[name]
    # The function itself: its arguments in the catalogue are not shown.
    while isinstance(problem, partial):
        problem = problem.func
    return inspect.getsource(problem).rstrip()


def _index(by_problem: dict[str, list[dict[str, str]]], out: Path) -> str:
    rows = [row for own in by_problem.values() for row in own]
    kinds = Counter(row["kind_of_truth"] for row in rows)
    beyond = sum(row["ok"] != "yes" for row in rows)
    lines = ["# Verification manual", "",
             f"{len(rows)} numbers of {len(by_problem)} problems beside what they should be; "
             f"{len(rows) - beyond} within limits that were set before the run, {beyond} not. "
             "Each page states a problem, where the truth is from, the limit and why, and shows "
             "the code.", "", "| kind of truth | checks |", "|---|---|"]
    lines += [f"| {kind} | {count} |" for kind, count in kinds.most_common()]
    lines += ["", "| problem | checks | kind of truth | largest error % | its limit % | within |",
              "|---|---|---|---|---|---|"]
    for name, own in by_problem.items():
        worst = max(own, key=lambda r: abs(float(r["error_pct"])) / float(r["limit_pct"]))
        kind = ", ".join(sorted({r["kind_of_truth"] for r in own}))
        fine = "yes" if all(r["ok"] == "yes" for r in own) else "**no**"
        lines.append(f"| [{_title(name)}]({name}.md) | {len(own)} | {kind} | "
                     f"{float(worst['error_pct']):+.3g} | {worst['limit_pct']} | {fine} |")
    lines += ["", "Further pages: [what simkit does not model](../limits.md)"
              + "".join(f", [{words}]({page})" for page, words in MORE.items()
                        if (out / page).exists()) + ".", "", MADE, ""]
    return "\n".join(lines)


def error_figure(name: str, rows: list[dict[str, str]]) -> Figure:
    """The error of every check as a bar, in per cent of its limit."""
    from matplotlib.figure import Figure

    size = 1.5 + 0.27 * len(rows)
    fig = Figure(figsize=(9.5, size), layout="constrained")
    axes = fig.add_subplot()
    places = range(len(rows))
    shares = [100.0 * float(r["error_pct"]) / float(r["limit_pct"]) for r in rows]
    axes.axvspan(-100.0, 100.0, color=BAND, alpha=0.12, linewidth=0)
    axes.barh(places, shares, color=[LOW if s < 0 else HIGH for s in shares], height=0.6)
    for place, share, row in zip(places, shares, rows, strict=True):
        axes.annotate(f"{float(row['error_pct']):+.2g} %", (share, place),
                      xytext=(5 if share >= 0 else -5, 0), textcoords="offset points",
                      va="center", ha="left" if share >= 0 else "right", fontsize=8.5)
    axes.axvline(0.0, color=INK, linewidth=0.8)
    axes.set_yticks(places, [f"{r['case']}: {r['quantity']}" for r in rows], fontsize=8.5)
    axes.invert_yaxis()
    reach = max(130.0, 1.3 * max(abs(s) for s in shares))
    axes.set_xlim(-reach, reach)
    axes.set_xlabel("error, per cent of its limit (green: within)")
    axes.set_title(_title(name))
    return fig
