"""`simkit ask`: run a ready question and draw its answer."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from simkit.cli.answer import json_option, result
from simkit.cli.working import clear, say
from simkit.files import write_atomic, write_table
from simkit.kernels.teamwork import cores
from simkit.show.answer import draw_answer
from simkit.study.matrix import RunPlan, plan_runs
from simkit.study.questionpage import COLUMNS, answer_rows, outcomes_of, page_text
from simkit.study.questions import Asked, Line, answer_lines, find_question, question_names
from simkit.study.study import foretell, open_study, run_study


@click.command(epilog="""\b
Examples:
  simkit ask                        which questions there are
  simkit ask tab-diameter --quick
""")
@click.argument("name", required=False)
@click.option("--quick", is_flag=True, help="Fewer runs: minutes on two processors.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder; runs/ask-<name> if not given.")
@click.option("--workers", type=click.IntRange(1, 256), default=None,
              help="Runs at once; as many as there are processors if not given.")
@click.option("--fresh", is_flag=True,
              help="Remove what an earlier answer wrote in the folder, and nothing else.")
@json_option
def command(name: str | None, quick: bool, out: Path | None, workers: int | None,
            fresh: bool) -> None:
    """Answer the ready question NAME: run its study, draw its figure and print its numbers.

    Writes page.md: set-up, figure, numbers, conclusions, their limits and their certainty. The text
    of the conclusions is that of the quick study; the stored page is in cases/questions/NAME.
    Without NAME the questions are listed. Exit code 0 when all runs have a result, 2 for bad input.
    """
    if name is None:
        known = {key: find_question(key, quick=True).question.question
                 for key in question_names()}
        for key, question in known.items():
            say(f"{key:<26}{question}")
        result({"questions": known})
        return
    asked = find_question(name, quick)
    folder = out or Path("runs") / f"ask-{name}{'-quick' if quick else ''}"
    plans = plan_runs(asked.study, asked.folder)
    processes = workers or cores()
    clear(folder, fresh)
    note = open_study(folder, asked.study)
    say(asked.question.question)
    say(asked.study.about)
    if note:
        say(note)
    for line in foretell(asked.study, plans, folder, processes):
        say(line)
    files = run_study(asked.study, plans, folder, processes, None, say)
    lines = answer_lines(asked, folder)
    say("")
    for found in lines:
        say(found.sentence())
    picture = draw_answer(asked.question.question, asked.question.label,
                          [(line.quantity.label, line.series, line.points) for line in lines],
                          folder / "answer.png")
    page = _write_page(asked, plans, lines, folder, quick)
    say("")
    for text in asked.question.says:
        say(f"- {text}")
    say("")
    say(f"page     {page}")
    say(f"picture  {picture}")
    for file in files:
        say(f"table    {file}")
    result({"question": asked.question.question, "answers": [line.sentence() for line in lines],
            "says": list(asked.question.says), "files": [page, picture, *files]})


def _write_page(asked: Asked, plans: Sequence[RunPlan], lines: Sequence[Line], folder: Path,
                quick: bool) -> Path:
    rows = answer_rows(lines)
    write_table(folder / "answer.csv", COLUMNS, rows)
    text = page_text(asked, plans, rows, outcomes_of(folder, asked), quick)
    write_atomic(folder / "page.md", text.encode())
    return folder / "page.md"
