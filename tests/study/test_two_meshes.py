"""A repair on two meshes: its record, its interruption, its later use. Invented panel."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from small_study import CASE

from simkit.case import load_case
from simkit.cli.main import main
from simkit.errors import InputErrors
from simkit.record.read import read_run
from simkit.repair.levels import FINER_MESH
from simkit.repair.workpiece import make_workpiece
from simkit.report.sheet import for_a_hand
from simkit.strategy import find_strategy
from simkit.study.run import USED_UP, prepare, run_strategy

TWO = CASE
for _old, _new in (("fine_mm: 8", "fine_mm: 6, bulk_mm: 12"), ("steps: 1}", "steps: 3}"),
                   ("depth_mm: 1.0", "depth_mm: 1.5"),
                   ("surface: flat", "surface: curved, radius_x_mm: 700, radius_y_mm: 500")):
    TWO = TWO.replace(_old, _new)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("two")
    (folder / "case.yaml").write_text(TWO, "utf-8")
    ended = main(["run", str(folder), "--strategy", "centre-first", "--out", str(folder / "run")])
    assert ended in (0, 1)  # flat or not
    return folder / "run"


def rows_of(run: Path) -> list[dict[str, str]]:
    with open(run / "steps.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_the_bulk_comes_out_on_larger_elements(run: Path) -> None:
    rows = rows_of(run)
    turns = [row for row in rows if row["operation"] == FINER_MESH]
    assert len(turns) == 1
    turn = turns[0]
    assert (turn["outcome"], float(turn["minutes"])) == ("carried over", 0.0)
    assert "stored energy" in turn["reason"]
    before = rows[int(turn["step"]) - 1]
    # bulk out: within 1 mm; the carrying over moves little
    assert max(-float(before["max_low_mm"]), float(before["max_high_mm"])) <= 1.0
    assert abs(float(turn["max_low_mm"]) - float(before["max_low_mm"])) < 0.05
    # not counted as a step, and the next tool is not a change because of it
    record = read_run(run)
    assert record.steps[-1].number == len(rows) - 1
    with open(run / "run.json", encoding="utf-8") as file:
        text = file.read()
    assert f'"steps": "{len(rows) - 2}"' in text
    # nor does it use up one of the three that the case allows
    assert USED_UP not in text or len(rows) - 2 == 3


def test_records_are_on_one_mesh_from_the_first_step_to_the_last(run: Path) -> None:
    control = np.load(run / "surface.npz")["control_mm"]
    for step in read_run(run).steps:
        field = np.load(run / "fields" / f"{step.number:04d}.npz")
        assert field["moved_mm"].shape == control.shape


def test_it_goes_on_after_an_interruption_before_and_after_the_turn(
        run: Path, tmp_path: Path) -> None:
    case = load_case(run.parent / "case.yaml")
    start = prepare(case, tmp_path / "dent", 1, print, bulk=True)
    assert start.work.finer is not None
    for stop_at in (1, 2):
        folder = tmp_path / f"stopped-{stop_at}"
        left = iter([True] * stop_at + [False])
        with pytest.raises(KeyboardInterrupt):
            run_strategy(start, find_strategy("centre-first", case), folder, print,
                         lambda left=left: next(left))
        run_strategy(start, find_strategy("centre-first", case), folder, print)
        again, whole = rows_of(folder), rows_of(run)
        assert [row["operation"] for row in again] == [row["operation"] for row in whole]
        for one, other in zip(again, whole, strict=True):
            assert float(one["max_low_mm"]) == pytest.approx(float(other["max_low_mm"]), abs=2e-4)


def test_tries_go_on_from_any_step_on_the_finer_mesh(
        run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    finest = make_workpiece(load_case(run.parent / "case.yaml")).model.patch.control.shape
    for step in ("0", "1", "3"):
        out = run.parent / f"try-{step}"
        assert main(["try", str(run.parent), "--from", str(run), "--step", step, "--do",
                     "push ball-12 at 5,-4 to 0.3", "--out", str(out)]) == 0
        field = np.load(out / "01" / "fields" / "0001.npz")
        assert field["moved_mm"].shape == finest
        # the panel that the run had there, but for what the finer mesh changes
        assert float(rows_of(out / "01")[0]["max_low_mm"]) == pytest.approx(
            float(rows_of(run)[int(step)]["max_low_mm"]), abs=0.05)
    capsys.readouterr()


def test_the_work_sheet_has_no_row_for_it(run: Path) -> None:
    record = read_run(run)
    assert FINER_MESH in [step.operation for step in record.steps]
    assert FINER_MESH not in [step.operation for step in for_a_hand(record)]
    assert len(for_a_hand(record)) == len(record.steps) - 2
    assert main(["sheet", str(run), "--out", str(run.parent / "sheet.pdf")]) == 0


def test_a_try_is_gone_on_from_although_it_was_on_the_finer_mesh(
        run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, second = run.parent / "first", run.parent / "second"
    steps = ["--do", "push ball-12 at 5,-4 to -0.4", "--do", "push ball-12 at 5,-4 to -0.2"]
    assert main(["try", str(run.parent), *steps, "--out", str(first)]) == 0
    assert main(["try", str(run.parent), "--from", str(first / "01"), "--step", "1", *steps[2:],
                 "--out", str(second)]) == 0
    whole, again = rows_of(first / "01"), rows_of(second / "01")
    assert FINER_MESH not in [row["operation"] for row in (*whole, *again)]
    assert float(again[1]["released_mm"]) == pytest.approx(float(whole[2]["released_mm"]), abs=2e-3)
    capsys.readouterr()


def test_a_dent_kept_on_the_finer_mesh_serves_a_repair_that_begins_on_the_larger(
        run: Path, tmp_path: Path) -> None:
    case = load_case(run.parent / "case.yaml")
    kept = prepare(case, tmp_path / "dent", 1, print)
    start = prepare(case, tmp_path / "dent", 1, print, bulk=True)
    assert start.work.finer is None
    assert start.session.now.row.max_low_mm == kept.session.now.row.max_low_mm


@pytest.mark.parametrize("size", ["11", "25"])
def test_a_size_that_is_hardly_larger_or_too_large_is_refused(size: str, tmp_path: Path) -> None:
    (tmp_path / "case.yaml").write_text(TWO.replace("bulk_mm: 12", f"bulk_mm: {size}"), "utf-8")
    with pytest.raises(InputErrors, match="bulk_mm"):
        load_case(tmp_path / "case.yaml")
