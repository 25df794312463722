"""Pages of the ready questions: made from the stored answer, and their words say its numbers."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from simkit.study.matrix import plan_runs
from simkit.study.questionpage import answer_rows, page_text
from simkit.study.questions import PLACE, find_question, question_names

NUMBER = re.compile(r"(?<![\w.-])\d+(?:\.\d+)?(?![\w.]*\d)")
EXACT = re.compile(r"\d+\.\d+|\d{3,}")
"""Numbers that were read off the answer: those with a point, and those of three digits or more."""


def stored(name: str) -> list[dict[str, str]]:
    with open(PLACE / name / "answer.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("name", question_names())
def test_the_stored_page_is_the_one_that_its_files_make(name: str) -> None:
    """The words and the set-up in question.yaml and quick.yaml are those of the page; the list of
    how runs ended is taken from the page, for it stands in no other stored file."""
    asked = find_question(name, quick=True)
    page = (PLACE / name / "page.md").read_text(encoding="utf-8")
    outcomes = [line[2:] for line in page.split("## What came out")[1].split("## What the")[0]
                .splitlines() if line.startswith("- ")]
    plans = plan_runs(asked.study, asked.folder)
    assert page == page_text(asked, plans, stored(name), outcomes, True)
    assert (PLACE / name / "answer.png").stat().st_size > 5000


@pytest.mark.parametrize("name", question_names())
def test_what_a_page_says_are_numbers_of_its_answer(name: str) -> None:
    rows = stored(name)
    known = {f"{abs(float(row['value'])):.4g}" for row in rows} | {row["along"] for row in rows}
    question = find_question(name, quick=True).question
    said = [word for text in question.says for word in NUMBER.findall(text)
            if EXACT.fullmatch(word)]
    assert said, "no number"
    assert [word for word in said if word not in known
            and f"{float(word):.4g}" not in known] == []


def test_rows_hold_what_the_lines_hold(tmp_path: Path) -> None:
    asked = find_question("tip-radius", True)
    line = type("L", (), {"quantity": asked.question.quantities[0], "series": "door",
                          "points": {"3": 195.0612}})()
    assert answer_rows([line]) == [{"quantity": "force, N", "series": "door", "along": "3",
                                    "value": "195.06"}]
