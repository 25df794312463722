"""Ready questions: sound files, answers read off the tables, a figure."""

from __future__ import annotations

from pathlib import Path

import pytest

from simkit.cli.main import main
from simkit.errors import InputError
from simkit.files import write_table
from simkit.show.answer import draw_answer
from simkit.study.matrix import plan_runs
from simkit.study.questions import answer_lines, find_question, question_names


@pytest.mark.parametrize("name", question_names())
@pytest.mark.parametrize("quick", [False, True])
def test_every_question_is_sound(name: str, quick: bool) -> None:
    asked = find_question(name, quick)
    plans = plan_runs(asked.study, asked.folder)
    # what costs time is each dent; quick questions were timed with up to 24 runs on 12 of them
    # (measuring-noise: 293 s of processor time)
    dents = {(plan.name, str(plan.varied), plan.replicate) for plan in plans}
    assert len(dents) <= (12 if quick else 40)
    assert 2 <= len(plans) <= (24 if quick else 64)
    known = {"strategy", "case", *(vary.key for vary in asked.study.vary)}
    assert {asked.question.along, asked.question.series} <= known
    assert "nvented" in asked.study.about


def test_unknown_questions_get_the_near_one(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(InputError, match="tab-diameter"):
        find_question("tab-diametre", True)
    assert main(["ask"]) == 0
    assert "crown-first" in capsys.readouterr().out


def test_answers_are_read_off_the_steps(tmp_path: Path) -> None:
    asked = find_question("tip-radius", True)
    write_table(tmp_path / "runs.csv", ("run", "case", "strategy"),
                [{"run": "a", "case": "bowl", "strategy": "6"},
                 {"run": "b", "case": "bowl", "strategy": "20"}])
    columns = ("run", "force_N", "slope_mrad", "max_face_strain", "stretch_mm2")
    rows = [("a", "", "9", "0.1", "0"), ("a", "300", "5", "0.2", "1"),
            ("a", "200", "4", "0.2", "2"), ("b", "", "9", "0.1", "0"),
            ("b", "500", "3", "0.3", "1.5")]
    write_table(tmp_path / "steps.csv", columns,
                [dict(zip(columns, row, strict=True)) for row in rows])
    lines = {line.quantity.column: line.points for line in answer_lines(asked, tmp_path)}
    assert lines["force_N"] == {"6": 300.0, "20": 500.0}
    assert lines["slope_mrad"] == {"6": 4.0, "20": 3.0}
    picture = draw_answer("Sharp or soft?", "radius, mm", [("force, N", "bowl", lines["force_N"])],
                          tmp_path / "answer.png")
    assert picture.stat().st_size > 5000
