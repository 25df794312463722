"""`simkit compare` of several cases, and keys set on the command line."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from small_study import CASE

from simkit.case import with_settings
from simkit.checks.deeper import check_case
from simkit.cli.main import main
from simkit.cli.working import out_folder
from simkit.record.write import identity
from simkit.study.several import unlike_names

SET = ("--set", "mesh.fine_mm=10", "--set", "kit.glue=strong-hot-melt")


def write_case(folder: Path, title: str) -> Path:
    folder.mkdir(parents=True)
    (folder / "case.yaml").write_text(CASE.replace("Small bowl", title))
    return folder


def rows_of(file: Path) -> list[dict[str, str]]:
    with open(file, newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two cases of the same name and one other, compared with keys set."""
    folder = tmp_path_factory.mktemp("several")
    cases = [write_case(folder / "a" / "bowl", "Bowl A"), write_case(folder / "b" / "bowl", "B")]
    code = main(["compare", *map(str, cases), "--strategies", "centre-first", "--workers", "1",
                 *SET, "--out", str(folder / "out")])
    assert code == 0
    return folder


def test_the_joined_table_has_a_row_a_case(three: Path) -> None:
    rows = rows_of(three / "out" / "cases.csv")
    assert [row["case"] for row in rows] == ["a-bowl", "b-bowl"]
    for row in rows:
        assert (row["dent"], row["grade"], row["strategy"]) == ("ball", "DC04", "centre-first")
        assert row["matched"] == "yes"
        own = rows_of(three / "out" / row["case"] / "compare.csv")[0]
        assert {key: row[key] for key in own} == own


def test_what_was_set_is_recorded_and_makes_another_run(three: Path) -> None:
    run = three / "out" / "a-bowl" / "runs" / "centre-first"
    stored = json.loads((run / "case.json").read_text())
    assert stored["set"] == {"mesh.fine_mm": 10, "kit.glue": "strong-hot-melt"}
    assert stored["case"]["mesh"]["fine_mm"] == 10.0
    plain = check_case(str(three / "a" / "bowl"))
    changed = with_settings(plain, {"mesh.fine_mm": 10})
    assert identity(plain) != identity(changed)
    assert "set" not in identity(plain)
    assert out_folder(plain, "x") != out_folder(changed, "x")


def test_a_folder_made_with_other_keys_is_refused(
        three: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = three / "out" / "a-bowl" / "runs" / "centre-first"
    case = str(three / "a" / "bowl")
    assert main(["try", case, "--from", str(run), "--do", "tap ball-12 at 0,0",
                 "--out", str(three / "try")]) == 2
    assert "--set kit.glue=strong-hot-melt --set mesh.fine_mm=10" in capsys.readouterr().err
    assert main(["compare", case, "--out", str(three / "out" / "a-bowl")]) == 2
    assert "another case" in capsys.readouterr().err


@pytest.mark.parametrize(("setting", "words"), [
    ("panel.thickness_mm=9", "--set: panel.thickness_mm: 9 found; expected 0.3 to 4 mm"),
    ("panel.thicknes_mm=0.8", "did you mean 'thickness_mm'?"),
    ("panel.grade=DC4", "no grade 'DC4'; did you mean 'DC04'?"),
    ("kit.glue=strong-melt", "strong-hot-melt"),
    ("kit.tabs[4]=round-20", "no entry [4]"),
    ("kit.tabs[0].diameter_mm=20", "kit.tabs[0].diameter_mm: cannot be set"),
    ("panel.thickness_mm=", "panel.thickness_mm"),
    ("panel.thickness_mm", "KEY=VALUE"),
    ("panel.thickness_mm=[0.8", "cannot be read"),
])
def test_a_wrong_setting_is_one_line(setting: str, words: str, tmp_path: Path,
                                     capsys: pytest.CaptureFixture[str]) -> None:
    case = write_case(tmp_path / "bowl", "Bowl")
    assert main(["check", str(case), "--set", setting]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.startswith("error: --set")
    assert said.count("\n") == 1


def test_faults_of_all_cases_are_named_before_anything_is_worked(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one, other = write_case(tmp_path / "one", "One"), tmp_path / "missing"
    broken = write_case(tmp_path / "broken", "Broken")
    (broken / "case.yaml").write_text(CASE.replace("DC04", "DC99"))
    assert main(["compare", str(one), str(other), str(broken), str(one), "--out",
                 str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "missing: no such file" in said
    assert "no grade 'DC99'" in said
    assert "named twice" in said
    assert not (tmp_path / "out").exists()


def test_names_are_as_short_as_tells_them_apart() -> None:
    root = Path("/cases")
    assert unlike_names([root / "hail" / "case.yaml"]) == ["hail"]
    assert unlike_names([root / "hail" / "case.yaml", root / "set" / "hail" / "case.yaml"]) == [
        "cases-hail", "set-hail"]
    assert unlike_names([root / "one.yaml", root / "two.yaml"]) == ["one", "two"]
