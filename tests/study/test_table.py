"""Folders of all sorts joined in one table."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from small_study import CASE

from simkit.cli.main import main


@pytest.fixture(scope="module")
def comparison(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("table")
    (folder / "case.yaml").write_text(CASE)
    out = folder / "out"
    main(["compare", str(folder / "case.yaml"), "--out", str(out), "--workers", "1",
          "--strategies", "centre-first"])
    return out


def test_runs_and_comparisons_share_their_columns(comparison: Path, tmp_path: Path) -> None:
    run = comparison / "runs" / "centre-first"
    out = tmp_path / "all.csv"
    assert main(["table", str(comparison), str(run), "--out", str(out)]) == 0
    with open(out, newline="") as file:
        one, other = csv.DictReader(file)
    assert one["case"] == other["case"] == "Small bowl"
    assert one["grade"] == "DC04"
    assert one["dent"] == "ball"
    assert one["max_low_mm"] == other["max_low_mm"] != ""


def test_what_is_no_folder_of_ours_is_refused(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["table", str(tmp_path)]) == 2
    assert "no run, comparison or study" in capsys.readouterr().err
    (tmp_path / "run.json").write_text("{")
    (tmp_path / "case.json").write_text("{}")
    assert main(["table", str(tmp_path)]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_out_must_be_a_table(comparison: Path, tmp_path: Path,
                             capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["table", str(comparison), "--out", str(tmp_path / "all.txt")]) == 2
    assert ".csv or .parquet" in capsys.readouterr().err


def test_no_step_begins_after_the_minutes(comparison: Path, tmp_path: Path) -> None:
    text = CASE.replace("limits: {steps: 1}", "limits: {steps: 9, minutes: 1}")
    (tmp_path / "case.yaml").write_text(text)
    out = tmp_path / "run"
    main(["run", str(tmp_path / "case.yaml"), "--strategy", "centre-first", "--out", str(out)])
    with open(out / "steps.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    minutes = [float(row["minutes"]) for row in rows[1:]]
    assert sum(minutes[:-1]) < 1.0 <= sum(minutes)
