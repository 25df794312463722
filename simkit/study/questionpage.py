"""The page of a ready question: set-up, figure, table, conclusions, limits and certainty."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

from simkit import __version__
from simkit.checks.summary import summary
from simkit.mechanics.outcome import Outcome
from simkit.study.matrix import RunPlan
from simkit.study.questions import Asked, Line

COLUMNS = ("quantity", "series", "along", "value")
SHOWN = ("panel", "sheet", "edges", "behind", "mesh", "dent")
"""Lines of a case's summary that are shown for each panel."""
AS_ASKED = {"", "reached", "held", "let down"} | Outcome.idle_words()
"""Outcomes that a page does not mention."""


def answer_rows(lines: Sequence[Line]) -> list[dict[str, str]]:
    """The lines as rows of answer.csv."""
    return [{"quantity": line.quantity.label, "series": line.series, "along": key,
             "value": f"{value:.5g}"} for line in lines for key, value in line.points.items()]


def page_text(asked: Asked, plans: Sequence[RunPlan], rows: Sequence[Mapping[str, str]],
              outcomes: Sequence[str], quick: bool) -> str:
    """The page as Markdown; ``rows`` of answer.csv; ``outcomes``: sentences on the steps that did
    not reach their goal."""
    question = asked.question
    parts = [f"# {question.question}", "",
             f"Made by `simkit ask {asked.name}{' --quick' if quick else ''}` (simkit "
             f"{__version__}); the panels and dents are invented.", "",
             "## Set-up", "", question.setup, "", *_panels(plans), *_programs(asked), "",
             "## What came out", "", f"![{question.question}](answer.png)", "",
             *_table(asked, rows), ""]
    parts += [*(f"- {text}" for text in outcomes), ""] if outcomes else []
    parts += ["## What the physics says", "", *(f"- {text}" for text in question.says), "",
              "## Where it does not hold", "", *(f"- {text}" for text in question.not_for), "",
              "## How sure", "", question.sure, ""]
    return "\n".join(parts)


def _panels(plans: Sequence[RunPlan]) -> list[str]:
    first = {plan.name: plan.case for plan in reversed(plans)}
    found = []
    for name in dict.fromkeys(plan.name for plan in plans):
        words = dict(summary(first[name]))
        found.append(f"- **{name}**: " + "; ".join(words[key] for key in SHOWN if key in words))
    return found


def _programs(asked: Asked) -> list[str]:
    if not asked.study.programs:
        return []
    return ["", *(f"- *{program.name}*: " + "; ".join(f"`{text}`" for text in program.operations)
                  for program in asked.study.programs)]


def _table(asked: Asked, rows: Sequence[Mapping[str, str]]) -> list[str]:
    """The table: one line for each value of the axis and each series."""
    labels = [quantity.label for quantity in asked.question.quantities]
    lines = dict.fromkeys((row["along"], row["series"]) for row in rows)
    values = {(row["quantity"], row["along"], row["series"]): row["value"] for row in rows}
    several = len({series for _, series in lines}) > 1
    head = [asked.question.label, *(["of"] if several else []), *labels]
    table = [f"| {' | '.join(head)} |", "|" + "---|" * len(head)]
    for along, series in lines:
        cells = [along, *([series] if several else []),
                 *(_shown(values.get((label, along, series), "")) for label in labels)]
        table.append(f"| {' | '.join(cells)} |")
    return table


def _shown(text: str) -> str:
    return f"{float(text):.4g}" if text else "-"


def outcomes_of(folder: Path, asked: Asked) -> list[str]:
    """Steps that did not reach their goal and runs that failed, in words, from runs.csv and
    steps.csv."""
    with open(folder / "runs.csv", newline="", encoding="utf-8") as file:
        runs = {row["run"]: row for row in csv.DictReader(file)}
    found: dict[str, None] = {}
    with open(folder / "steps.csv", newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["outcome"] in AS_ASKED:
                continue
            run = runs[row["run"]]
            question = asked.question
            where = ", ".join(dict.fromkeys(
                (run.get(question.along, ""), run.get(question.series, ""), run["strategy"])))
            found[f"{where}: {row['operation']} {row['tool']} ended as *{row['outcome']}*"] = None
    failed = [f"{run['case']}, {run['strategy']}: {run['status']} {run['reason']}".strip()
              for run in runs.values() if run["status"] != "done"]
    return [*found, *failed]
