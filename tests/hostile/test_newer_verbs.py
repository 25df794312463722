"""What the newer verbs refuse: one line, exit code 2, nothing written, nothing written over."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from newer_sorts import QUICK, STUDY, recorded

from simkit.cli.main import main


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(recorded(), tmp_path / "run")
    (tmp_path / "case.yaml").write_text(QUICK)
    (tmp_path / "study.yaml").write_text(STUDY)
    (tmp_path / "mine.pdf").write_bytes(b"%PDF-1.7 of somebody else")
    (tmp_path / "mine.html").write_text("<!DOCTYPE html><p>of somebody else")
    (tmp_path / "mine.csv").write_text("a,b\n1,2\n")
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "steps.csv").write_text("a,b\n1,2\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


REFUSED = [
    ("report run --out .", "cannot be the name of this file"),
    ("report run --out ..", "cannot be the name of this file"),
    ("report run --out case.yaml", "cannot be the name of this file"),
    ("report run --out mine", "not written by simkit"),
    ("sheet run --out .", "cannot be the name of this file"),
    ("sheet run --out run/run.json", "cannot be the name of this file"),
    ("sheet run --out mine.pdf", "not written by simkit"),
    ("sheet run --out /proc/x.pdf", "cannot write"),
    ("table run --out mine.csv", "not a table of simkit"),
    ("table run --out /proc/x.csv", "cannot write"),
    ("table run --out case.yaml", "not a table of simkit"),
    ("export run csv --out case.yaml", "cannot write"),
    ("export run csv --out /proc/x", "cannot write"),
    ("export run csv --out run", "the folder of the run"),
    ("export run csv --out data", "would be overwritten"),
    ("export run stl --exaggerate nan", "not a finite number"),
    ("export run stl --step 99", "not in this run"),
    ("show run --reflections --tilt nan,1", "two angles"),
    ("show run --reflections --view nan", "not a finite number"),
    ("show run --reflections --eye inf", "not a finite number"),
    ("live case.yaml --no-browser --host 256.1.1.1 --token 0123456789012345678901",
     "cannot listen"),
    ("promise case.yaml --minutes nan", "not a finite number"),
    ("promise case.yaml --minutes 60 --out .", "folder of the case"),
    ("ask ../../etc", "no question"),
    ("learn run --step 1 --readings none.csv", "no such file"),
    ("study study.yaml --out data --dry-run --scheduler x --workers 0", "not in the range"),
    ("study case.yaml", "key missing"),
]


@pytest.mark.parametrize(("words", "said"), REFUSED)
def test_what_means_nothing_is_refused_and_nothing_is_written(
        words: str, said: str, here: Path, capfd: pytest.CaptureFixture[str]) -> None:
    before = contents(here)
    assert main(words.split()) == 2
    errors = capfd.readouterr().err.splitlines()
    assert all(line.startswith("error: ") for line in errors)
    assert said in errors[0]
    assert contents(here) == before


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_what_cannot_be_tried_leaves_no_try(here: Path, capfd: pytest.CaptureFixture[str]) -> None:
    for words in ("pull nope at 0,0", "pull round-25 at 900,0", "let-down"):
        assert main(["try", "case.yaml", "--do", words, "--out", "tries", "--threads", "1"]) == 2
        assert capfd.readouterr().err.count("error: ") == 1
    assert [p.name for p in (here / "tries").iterdir() if p.name.isdigit()] == []


def test_what_simkit_wrote_may_be_written_again(here: Path) -> None:
    for _ in range(2):
        for words in ("sheet run --out own", "table run --out own.csv", "export run npz --out out",
                      "report run --out own"):
            assert main(words.split()) == 0
    assert (here / "own.pdf").read_bytes()[:4] == b"%PDF"
