"""`simkit run` and `compare` on a small case: tables, resuming, killing, exit codes."""

from __future__ import annotations

import csv
import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from small_case import write_case

from simkit.cli.main import main
from simkit.study.run import SUMMARY

REQUIRED = ("strategy flat steps tool_changes minutes max_low_mm max_high_mm improvement_pct "
            "stretch_mm2 max_force_N max_plastic_strain crown_start_mm crown_end_mm outcome")


def rows_of(file: Path) -> list[dict[str, str]]:
    with open(file, newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    folder = tmp_path_factory.mktemp("run")
    case = write_case(folder / "case")
    code = main(["run", str(case), "--strategy", "crown-first", "--out", str(folder / "out"),
                 "--threads", "1"])
    return folder, code


def test_exit_code_says_whether_it_is_flat(done: tuple[Path, int]) -> None:
    folder, code = done
    flat = rows_of(folder / "out" / "steps.csv")[-1]["flat"]
    assert code == (0 if flat == "yes" else 1)


def test_every_operation_has_a_row_and_balances_its_energy(done: tuple[Path, int]) -> None:
    rows = rows_of(done[0] / "out" / "steps.csv")
    assert [int(row["step"]) for row in rows] == list(range(len(rows)))
    assert len(rows) > 1
    for row in rows[1:]:
        assert abs(float(row["energy_error_pct"])) < 1.0
        work = float(row["work_Nmm"])
        spent = sum(float(row[key]) for key in ("stored_Nmm", "plastic_Nmm", "snap_Nmm"))
        assert abs(work - spent) < 0.01 * max(abs(work), abs(spent))
        assert float(row["penetration_mm"]) < 0.01


def test_an_operation_works_in_its_own_direction(done: tuple[Path, int]) -> None:
    rows = rows_of(done[0] / "out" / "steps.csv")[1:]
    for row in rows:
        change = float(row["released_mm"]) - float(row["before_mm"])
        assert change * (-1.0 if row["operation"] == "tap-down" else 1.0) > 0.0


def test_prediction_meets_the_real_release(done: tuple[Path, int]) -> None:
    for row in rows_of(done[0] / "out" / "steps.csv")[1:]:
        # a sheet that snaps while the tool is withdrawn ends where no release could foretell
        if row["outcome"] == "reached" and row["snapped"] == "no":
            assert float(row["released_mm"]) == pytest.approx(float(row["predicted_mm"]), abs=0.02)
            assert float(row["released_mm"]) == pytest.approx(float(row["goal_mm"]), abs=0.03)


def test_fields_agree_with_the_table(done: tuple[Path, int]) -> None:
    out = done[0] / "out"
    for row in rows_of(out / "steps.csv"):
        d = np.load(out / "fields" / f"{int(row['step']):04d}.npz")["d_mm"]
        assert float(row["max_low_mm"]) == pytest.approx(min(0.0, np.nanmin(d)), abs=1e-12)
        assert float(row["max_high_mm"]) == pytest.approx(max(0.0, np.nanmax(d)), abs=1e-12)


def test_pictures_are_there(done: tuple[Path, int]) -> None:
    names = {file.name for file in (done[0] / "out" / "pictures").glob("*.png")}
    assert {"map.png", "sections.png", "progress.png"} <= names


def test_same_run_again_keeps_what_is_there(done: tuple[Path, int]) -> None:
    out = done[0] / "out"
    before = (out / "steps.csv").read_bytes()
    code = main(["run", str(done[0] / "case"), "--strategy", "crown-first", "--out", str(out)])
    assert code == done[1]
    assert (out / "steps.csv").read_bytes() == before


def test_folder_of_another_run_is_refused(done: tuple[Path, int],
                                          capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["run", str(done[0] / "case"), "--strategy", "centre-first", "--out",
                 str(done[0] / "out")])
    assert code == 2
    assert "another case" in capsys.readouterr().err


def test_killed_run_leaves_whole_tables_and_completes(done: tuple[Path, int],
                                                      tmp_path: Path) -> None:
    out = tmp_path / "killed"
    command = [sys.executable, "-m", "simkit", "run", str(done[0] / "case"), "--strategy",
               "crown-first", "--out", str(out), "--threads", "1"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    table = out / "steps.csv"
    limit = time.monotonic() + 240.0
    while process.poll() is None and time.monotonic() < limit:
        if table.exists() and len(rows_of(table)) >= 2:
            break
        time.sleep(0.01)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert not (out / "run.json").exists()
    killed = rows_of(table)
    whole = rows_of(done[0] / "out" / "steps.csv")
    assert killed == whole[: len(killed)]
    assert main(command[3:]) == done[1]
    assert table.read_bytes() == (done[0] / "out" / "steps.csv").read_bytes()


def test_compare_has_the_columns_and_the_runs(tmp_path: Path) -> None:
    case = write_case(tmp_path / "case", "steps: 3", "steps: 1")
    out = tmp_path / "out"
    assert main(["compare", str(case), "--out", str(out), "--workers", "2"]) == 0
    rows = rows_of(out / "compare.csv")
    assert set(REQUIRED.split()) <= set(rows[0])
    assert tuple(rows[0]) == SUMMARY
    assert [row["strategy"] for row in rows] == ["crown-first", "worst-spot-first"]
    starts = {rows_of(out / "runs" / row["strategy"] / "steps.csv")[0]["max_low_mm"]
              for row in rows}
    assert len(starts) == 1
    assert json.loads((out / "compare.json").read_text())["kind"] == "comparison"
