"""`simkit verify`: its table, its exit codes, going on where it stopped, the manual it writes."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from simkit.cli.main import main
from simkit.verification.problems import catalogue
from simkit.verification.problems.check import Check, Status, Truth
from simkit.verification.verify import COLUMNS

WANTED = "case quantity reference value error_pct limit_pct kind_of_truth source"
NAMES = ["convergence-rates", "small-circular-plate"]


def table(folder: Path) -> list[dict[str, str]]:
    with open(folder / "verification.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_two_problems_give_a_table_and_a_manual(tmp_path: Path) -> None:
    out, manual = tmp_path / "out", tmp_path / "manual"
    assert main(["verify", *NAMES, "--quick", "--out", str(out), "--manual", str(manual)]) == 0
    rows = table(out)
    assert tuple(rows[0]) == COLUMNS
    assert set(WANTED.split()) <= set(rows[0])
    assert {row["problem"] for row in rows} == set(NAMES)
    for row in rows:
        assert abs(float(row["error_pct"])) <= float(row["limit_pct"])
    assert "small-circular-plate.md" in (manual / "index.md").read_text("utf-8")
    assert "def small_circular" in (manual / "small-circular-plate.md").read_text("utf-8")
    assert (manual / "figures" / "small-circular-plate.png").stat().st_size > 5000


def wrong() -> list[Check]:
    return [Check("made up", "a number", 1.0, 1.2, 1.0, Truth.EXACT, "made up", Status.DERIVED)]


def test_a_number_beyond_its_limit_is_shown_and_the_exit_code_is_one(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setitem(catalogue.QUICK, "patch-test", wrong)
    assert main(["verify", "patch-test", "--quick", "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().out
    assert "FAILS" in said
    assert "+20 %" in said
    assert table(tmp_path / "out")[0]["ok"] == "no"


def test_a_finished_problem_is_read_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "out"
    assert main(["verify", "patch-test", "--quick", "--out", str(out)]) == 0
    before = table(out)
    (out / "verification.csv").unlink()
    monkeypatch.setitem(catalogue.QUICK, "patch-test", wrong)
    assert main(["verify", "patch-test", "--quick", "--out", str(out)]) == 0
    assert table(out) == before
    assert json.loads((out / "case.json").read_text("utf-8"))["problems"] == ["patch-test"]


def test_an_unknown_problem_is_answered_with_the_near_one(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", "slit-anulus", "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "slit-annulus" in said
    assert "Traceback" not in said
    assert not (tmp_path / "out").exists()


def test_every_problem_has_its_statement() -> None:
    pages = Path(__file__).parents[2] / "simkit" / "verification" / "statements"
    assert {page.stem for page in pages.glob("*.md")} == set(catalogue.MANUAL)
    assert set(catalogue.QUICK) == set(catalogue.MANUAL)
