"""Studies carried out: tables, resuming after kills, clusters."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from small_study import write_study

from simkit.cli.main import main

TABLES = ("runs.csv", "steps.csv", "conclusions.csv")


def tables(folder: Path) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in TABLES}


def command(study: Path, out: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "simkit", "study", str(study), "--out", str(out), *more]


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("undisturbed")
    study = write_study(folder)
    assert main(["study", str(study), "--out", str(folder / "out"), "--workers", "1"]) == 0
    return study, folder / "out"


def test_one_row_a_run_with_its_varied_key(undisturbed: tuple[Path, Path]) -> None:
    _, out = undisturbed
    with open(out / "runs.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["panel.thickness_mm"], row["strategy"]) for row in rows] == [
        ("0.7", "centre-first"), ("0.7", "crown-first"), ("0.8", "centre-first"),
        ("0.8", "crown-first")]
    assert {row["status"] for row in rows} <= {"done", "not matched"}
    assert {row["case"] for row in rows} == {"small"}
    assert {row["grade"] for row in rows} == {"DC04"}


def test_parquet_holds_the_same_rows(undisturbed: tuple[Path, Path]) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    _, out = undisturbed
    table = parquet.read_table(out / "runs.parquet")
    assert table.num_rows == 4
    assert table.column("panel.thickness_mm").to_pylist() == [0.7, 0.7, 0.8, 0.8]


def test_finished_runs_are_not_repeated(undisturbed: tuple[Path, Path],
                                        capsys: pytest.CaptureFixture[str]) -> None:
    study, out = undisturbed
    before = tables(out)
    stamps = {file: file.stat().st_mtime_ns for file in out.rglob("result.json")}
    assert main(["study", str(study), "--out", str(out)]) == 0
    assert "4 runs, 4 of them finished before" in capsys.readouterr().out
    assert tables(out) == before
    assert {file: file.stat().st_mtime_ns for file in out.rglob("result.json")} == stamps


def test_a_killed_study_goes_on_and_ends_with_the_same_tables(
        undisturbed: tuple[Path, Path], tmp_path: Path) -> None:
    study, whole = undisturbed
    out = tmp_path / "out"
    child = subprocess.Popen(command(study, out, "--workers", "2"), stdout=subprocess.DEVNULL)
    deadline = time.monotonic() + 120.0
    while time.monotonic() < deadline and not list(out.glob("runs/*/run/steps.csv")):
        time.sleep(0.05)
    child.send_signal(signal.SIGKILL)
    child.wait()
    assert main(["study", str(study), "--out", str(out)]) == 0
    assert tables(out) == tables(whole)
    assert not list(out.rglob("*.part"))


def test_a_killed_worker_is_replaced(undisturbed: tuple[Path, Path], tmp_path: Path) -> None:
    study, whole = undisturbed
    out = tmp_path / "out"
    child = subprocess.Popen(command(study, out, "--workers", "1"), stdout=subprocess.DEVNULL)
    deadline, killed = time.monotonic() + 120.0, False
    while time.monotonic() < deadline and not killed and child.poll() is None:
        for worker in workers_of(child.pid):
            os.kill(worker, signal.SIGKILL)
            killed = True
        time.sleep(0.02)
    assert killed
    assert child.wait() == 0
    assert tables(out) == tables(whole)


def workers_of(parent: int) -> list[int]:
    children = Path(f"/proc/{parent}/task/{parent}/children")
    found = [int(child) for thread in children.parents[1].glob("*/children")
             for child in thread.read_text().split()] if children.exists() else []
    return [child for child in found
            if b"simkit.study.run_process" in Path(f"/proc/{child}/cmdline").read_bytes()]


def test_an_unreachable_scheduler_is_one_line(undisturbed: tuple[Path, Path], tmp_path: Path,
                                              capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("distributed")
    study, _ = undisturbed
    code = main(["study", str(study), "--out", str(tmp_path / "out"), "--scheduler",
                 "tcp://127.0.0.1:1"])
    assert code == 2
    said = capsys.readouterr().err
    assert "no scheduler answers" in said
    assert "Traceback" not in said


def test_an_edited_study_keeps_the_runs_that_are_the_same(
        undisturbed: tuple[Path, Path], tmp_path: Path,
        capsys: pytest.CaptureFixture[str]) -> None:
    _, out = undisturbed
    edited = write_study(tmp_path, "[0.7, 0.8]", "[0.7]")
    assert main(["study", str(edited), "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "changed since" in said
    assert "2 runs, 2 of them finished before" in said
