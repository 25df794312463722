"""Bad input: one clear line each, exit code 2, no traceback, nothing written."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_case import TEXT, write_case

from simkit.cli.main import main

SHAPES = TEXT[TEXT.index("  shapes:"): TEXT.index("history:")]
POINTS = "x_mm,y_mm,d_mm\n0,0,-0.8\n10,0,-0.6\n0,10,-0.6\n-30,0,0\n30,0,0\n0,30,0\n0,-30,0\n"
GRID = ("y\\x,-30,-10,10,30\n-30,0,0,0,0\n-10,0,-0.5,-0.4,0\n10,0,-0.4,-0.4,0\n"
        "30,0,0,0,0\n")


def case_with(folder: Path, kind: str, text: str | None) -> Path:
    if text is not None:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "dent.csv").write_text(text, encoding="utf-8")
    return write_case(folder, SHAPES, f"  {kind}_csv: dent.csv\n")


BAD_KEYS = {
    "unknown key": ("thickness_mm: 0.8", "thicknes_mm: 0.8", "thickness_mm"),
    "thickness of 75 mm": ("thickness_mm: 0.8", "thickness_mm: 75", "thickness_mm"),
    "no thickness": ("thickness_mm: 0.8", "thickness_mm: 0", "thickness_mm"),
    "negative thickness": ("thickness_mm: 0.8", "thickness_mm: -0.8", "thickness_mm"),
    "misspelled strategy": ("[crown-first,", "[crwn-first,", "crown-first"),
    "dent off the panel": ("x_mm: 5", "x_mm: 500", "panel"),
    "tab larger than the panel": ("length_y_mm: 160", "length_y_mm: 24", "tab"),
    "unknown grade": ("grade: DC04", "grade: DC04x", "did you mean"),
    "unknown tip": ("[ball-12]", "[bal-12]", "ball-12"),
}

BAD_POINTS = {
    "missing file": (None, "dent.csv"),
    "text in a number column": (POINTS.replace("-0.6", "deep", 1), "deep"),
    "NaN": (POINTS.replace("-0.6", "nan", 1), "nan"),
    "no points": ("x_mm,y_mm,d_mm\n", "point"),
    "empty file": ("", "empty"),
    "points off the panel": (POINTS.replace("-30,0,0", "-3000,0,0"), "panel"),
}


def refused(argv: list[str], expected: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(argv) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert lines
    assert all(line.startswith("error: ") for line in lines)
    assert expected.lower() in " ".join(lines).lower()
    assert "Traceback" not in " ".join(lines)


@pytest.mark.parametrize("name", BAD_KEYS)
def test_bad_case(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old, new, expected = BAD_KEYS[name]
    case = write_case(tmp_path / "case", old, new)
    for verb in (["check"], ["run", "--strategy", "crown-first", "--out", str(tmp_path / "o")],
                 ["compare", "--out", str(tmp_path / "o")]):
        refused([verb[0], str(case), *verb[1:]], expected, capsys)
    assert not (tmp_path / "o").exists()


@pytest.mark.parametrize("name", BAD_POINTS)
def test_bad_points(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text, expected = BAD_POINTS[name]
    case = case_with(tmp_path / "case", "points", text)
    refused(["check", str(case)], expected, capsys)
    refused(["compare", str(case), "--out", str(tmp_path / "o")], expected, capsys)
    assert not (tmp_path / "o").exists()


def test_grid_with_a_hole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = case_with(tmp_path / "case", "grid", GRID.replace("-0.5", ""))
    refused(["check", str(case)], "hole in the grid", capsys)


def test_sound_points_and_grid_pass(tmp_path: Path) -> None:
    assert main(["check", str(case_with(tmp_path / "a", "points", POINTS))]) == 0
    assert main(["check", str(case_with(tmp_path / "b", "grid", GRID))]) == 0


def test_misspelled_strategy_of_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = write_case(tmp_path / "case")
    refused(["run", str(case), "--strategy", "crown-frist"], "crown-first", capsys)


def test_fresh_does_not_delete_a_strange_folder(tmp_path: Path,
                                                capsys: pytest.CaptureFixture[str]) -> None:
    case = write_case(tmp_path / "case")
    precious = tmp_path / "home" / "letter.txt"
    precious.parent.mkdir()
    precious.write_text("keep me")
    refused(["run", str(case), "--strategy", "crown-first", "--fresh", "--out",
             str(precious.parent)], "no run", capsys)
    refused(["run", str(case), "--strategy", "crown-first", "--out", str(precious.parent)],
            "something else", capsys)
    assert precious.read_text() == "keep me"


@pytest.mark.parametrize(("old", "new", "says"), [
    ("grade: DC04", "grade: DC04\n  prestrain: 0.2", "panel.prestrain"),
    ("grade: DC04", "grade: HC180B-baked\n  bake_MPa: 30", "panel.bake_MPa")])
def test_check_refuses_a_sheet_that_run_would_refuse(
        tmp_path: Path, capsys: pytest.CaptureFixture, old: str, new: str, says: str) -> None:
    case = write_case(tmp_path / "case", old, new)
    assert main(["check", str(case)]) == 2
    assert says in capsys.readouterr().err
