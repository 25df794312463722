"""Folders of studies are marked, listed and locked as those of runs are."""

from __future__ import annotations

import csv
import fcntl
import shutil
from pathlib import Path

import pytest
from small_study import write_study

from simkit.cli.main import main
from simkit.files import read_back
from simkit.folders import MARK, release

TABLES = ("runs.csv", "steps.csv")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A study of two runs and its folder."""
    folder = tmp_path_factory.mktemp("whole")
    study = write_study(folder, "[0.7, 0.8]", "[0.8]")
    assert main(["study", str(study), "--out", str(folder / "out"), "--workers", "1"]) == 0
    return study, folder / "out"


@pytest.fixture
def out(whole: tuple[Path, Path], tmp_path: Path) -> Path:
    shutil.copytree(whole[1], tmp_path / "out")
    return tmp_path / "out"


def test_every_file_is_listed_with_its_digest(whole: tuple[Path, Path]) -> None:
    files = [p for p in whole[1].rglob("*") if p.is_file() and p.name != MARK]
    assert len(files) > 30
    for file in files:
        read_back(file)  # Damaged where the list does not promise it
    assert {p.parent.relative_to(whole[1]).parts[:1] for p in whole[1].rglob(MARK)} == {
        (), ("runs",), ("starts",)}


def test_fresh_removes_what_simkit_wrote_and_nothing_else(out: Path, tmp_path: Path) -> None:
    from simkit.cli.working import clear
    one = next(p.parent for p in out.glob("runs/*/job.json"))
    (tmp_path / "precious").mkdir()
    (tmp_path / "precious" / "result.json").write_text("keep")
    shutil.rmtree(one / "run" / "steps")
    (one / "run" / "steps").symlink_to(tmp_path / "precious")
    (one / "notes.txt").write_text("keep")
    (out / "runs" / "mine").mkdir()
    (out / "runs" / "mine" / "job.json").write_text("keep")
    clear(out, fresh=True)
    release()
    kept = {str(p.relative_to(out)) for p in out.rglob("*") if p.is_file() and p.name != MARK}
    assert kept == {f"runs/{one.name}/notes.txt", "runs/mine/job.json"}
    assert (tmp_path / "precious" / "result.json").read_text() == "keep"


@pytest.mark.parametrize("name", ["result.json", "job.json", "case/case.yaml", "run/steps.csv"])
def test_what_was_altered_is_made_again(whole: tuple[Path, Path], out: Path, name: str) -> None:
    one = sorted(out.glob("runs/*"))[0]
    file = one / name
    file.write_bytes(file.read_bytes().replace(b"0.8", b"0.9").replace(b"-", b"+"))
    if name == "run/steps.csv":
        (one / "result.json").unlink()
    assert main(["study", str(whole[0]), "--out", str(out), "--workers", "1"]) == 0
    read_back(file)
    for table in TABLES:
        assert (out / table).read_bytes() == (whole[1] / table).read_bytes()


def test_an_altered_table_is_not_joined(out: Path, capfd: pytest.CaptureFixture[str]) -> None:
    table = out / "runs.csv"
    with open(table, newline="") as file:
        assert next(csv.DictReader(file))["status"]
    table.write_bytes(table.read_bytes().replace(b"done", b"flat"))
    assert main(["table", str(out)]) == 2
    assert "altered or damaged" in capfd.readouterr().err


def test_two_at_once_do_not_share_a_study(whole: tuple[Path, Path], out: Path,
                                          capfd: pytest.CaptureFixture[str]) -> None:
    with open(out / MARK, "r+b") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        assert main(["study", str(whole[0]), "--out", str(out)]) == 2
    assert "another simkit works in this folder" in capfd.readouterr().err


def test_a_folder_of_something_else_is_not_taken(whole: tuple[Path, Path], tmp_path: Path,
                                                 capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "mine.txt").write_text("keep")
    for more in ([], ["--fresh"]):
        assert main(["study", str(whole[0]), "--out", str(tmp_path), *more]) == 2
        assert capfd.readouterr().err.count("error: ") == 1
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]
