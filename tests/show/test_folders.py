"""Reading stored folders: what is damaged or half-written is refused with one line."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from click.testing import CliRunner
from stored_run import PLAN

from simkit.cli.show import command
from simkit.errors import InputError
from simkit.record.read import read_comparison, read_run
from simkit.show import scene
from simkit.show.draw import draw_comparison, draw_run
from simkit.show.table import comparison_table


def refuse(folder, words: str, draw=draw_run) -> InputError:
    """The folder must be refused in one line that says `words`, and leave no picture."""
    with pytest.raises(InputError, match=words) as caught:
        draw(folder)
    assert "\n" not in str(caught.value)
    assert not (folder / "pictures").exists()
    return caught.value


def edit(path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_reads_what_was_written(run_folder):
    record = read_run(run_folder)
    assert [step.operation for step in record.steps] == [row[0] for row in PLAN]
    assert record.steps[0].max_low_mm == pytest.approx(np.nanmin(record.fields[0].d_mm))
    assert np.isnan(record.steps[0].force_N)
    assert record.steps[4].force_N == 905.0
    assert record.tolerance_mm == 0.1


def test_depths_without_sign_are_lows_all_the_same(run_folder):
    edit(run_folder / "steps.csv", str(read_run(run_folder).steps[0].max_low_mm), "4.5")
    assert read_run(run_folder).steps[0].max_low_mm == -4.5


def test_missing_folder_and_wrong_folder(tmp_path):
    refuse(tmp_path / "none", "does not exist")
    refuse(tmp_path, "not a run folder")
    (tmp_path / "file").write_text("x")
    refuse(tmp_path / "file", "not a folder")


def test_a_folder_of_runs_names_them(run_folder):
    refuse(run_folder.parent, f"one of the runs in it: {run_folder.name}")


def test_half_written_runs(run_folder):
    (run_folder / "fields" / "0008.npz").unlink()
    refuse(run_folder, "half-written run")
    (run_folder / "run.json").unlink()
    refuse(run_folder, r"half-written run: run\.json is missing")


def test_field_cut_short_or_misshapen(run_folder):
    path = run_folder / "fields" / "0002.npz"
    whole = path.read_bytes()
    for size in (0, 10, len(whole) // 2):
        path.write_bytes(whole[:size])
        assert refuse(run_folder, "damaged field file").file == str(path)
    x, y = np.arange(5.0), np.arange(4.0)
    for words, arrays in {
        "shape": {"x_mm": x, "y_mm": y, "d_mm": np.zeros((5, 4))},
        "field is missing": {"x_mm": x, "d_mm": np.zeros((4, 5))},
        "do not rise": {"x_mm": x[::-1], "y_mm": y, "d_mm": np.zeros((4, 5))},
        "no usable": {"x_mm": x, "y_mm": y, "d_mm": np.full((4, 5), np.nan)},
        "grid differs": {"x_mm": x, "y_mm": y, "d_mm": np.zeros((4, 5))},
        "damaged": {"x_mm": x, "y_mm": y, "d_mm": np.array([{"a": 1}], dtype=object)},
    }.items():
        np.savez(path, **arrays)
        refuse(run_folder, words)


def test_damaged_byte_inside_a_field(run_folder):
    path = run_folder / "fields" / "0001.npz"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(bytes(data))
    refuse(run_folder, "damaged field file")


def test_table_errors_name_line_and_column(run_folder):
    path = run_folder / "steps.csv"
    whole = path.read_text(encoding="utf-8")
    edit(path, ",905,", ",much,")
    error = refuse(run_folder, "'much' is not a number")
    assert (error.line, error.key) == (6, "force_N")
    path.write_text(whole[:-25], encoding="utf-8")
    assert refuse(run_folder, "half-written").line == 10
    path.write_text(whole.replace("max_low_mm", "deepest"), encoding="utf-8")
    assert refuse(run_folder, "column is missing").key == "max_low_mm"
    path.write_text(whole.splitlines()[0] + "\n", encoding="utf-8")
    refuse(run_folder, "no rows")
    path.write_text("\n".join(line for line in whole.splitlines() if not line.startswith("3,")),
                    encoding="utf-8")
    refuse(run_folder, "step '4'; step 3")
    path.write_bytes(b"\xff\xfe\x00\x01")
    refuse(run_folder, "cannot be read as a table")
    path.unlink()
    refuse(run_folder, "file is missing")


def test_description_errors(run_folder):
    path = run_folder / "run.json"
    info = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(info, indent=1)[:80], encoding="utf-8")
    assert refuse(run_folder, "damaged JSON").line is not None
    for change, words in (({"format": 99}, "format 99"), ({"kind": "panel"}, "'panel'"),
                          ({"goal": {"tolerance_mm": -1}}, "-1 is no tolerance"),
                          ({"goal": {"tolerance_mm": "fine"}}, "'fine' is no tolerance")):
        path.write_text(json.dumps({**info, **change}), encoding="utf-8")
        refuse(run_folder, words)
    path.write_text("[]", encoding="utf-8")
    refuse(run_folder, "no description")


def test_comparison_errors(comparison_folder):
    path = comparison_folder / "compare.csv"
    whole = path.read_text(encoding="utf-8")
    path.write_text(whole.replace("strategy,", "plan,"), encoding="utf-8")
    refuse(comparison_folder, "column is missing", draw_comparison)
    path.write_text(re.sub(r"(crown-first,True),8", r"\1,eight", whole), encoding="utf-8")
    assert refuse(comparison_folder, "'eight'", draw_comparison).line == 3
    path.write_text(whole, encoding="utf-8")
    (comparison_folder / "runs" / "crown-first" / "fields" / "0003.npz").write_bytes(b"")
    refuse(comparison_folder, "damaged field file", draw_comparison)
    path.unlink()
    refuse(comparison_folder, "file is missing", draw_comparison)


def test_a_run_is_not_a_comparison_and_back(run_folder, comparison_folder):
    refuse(run_folder, "not a comparison", draw_comparison)
    refuse(comparison_folder, "not a run")


def test_place_that_cannot_be_written(run_folder, tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(InputError, match="cannot write the picture"):
        draw_run(run_folder, tmp_path / "taken")


def test_command_draws_a_run_and_says_where(run_folder, tmp_path):
    result = CliRunner().invoke(command, [str(run_folder), "--out", str(tmp_path / "o"),
                                          "--step", "4"])
    assert result.exit_code == 0, result.output
    assert "8 pictures" in result.output
    for line in result.output.splitlines()[1:]:
        assert (tmp_path / "o" / line.strip().rsplit("/", 1)[-1]).stat().st_size > 10_000
    assert "map-step04.png" in result.output


def test_command_draws_a_comparison_with_its_table(comparison_folder):
    result = CliRunner().invoke(command, [str(comparison_folder)])
    assert result.exit_code == 0, result.output
    assert comparison_table(read_comparison(comparison_folder).rows) in result.output


@pytest.mark.parametrize("arguments", [["--step", "99"], ["--step", "-1"]])
def test_command_refuses_a_step_that_is_not_there(run_folder, arguments):
    result = CliRunner().invoke(command, [str(run_folder), *arguments])
    assert isinstance(result.exception, InputError)
    assert "0 to 8" in str(result.exception)


def test_table_is_aligned():
    rows = [{"strategy": "crown-first", "flat": "True", "steps": "8", "max_low_mm": "-0.0712",
             "outcome": "flat"},
            {"strategy": "x", "flat": False, "steps": 12, "max_low_mm": None, "outcome": "limit"}]
    lines = comparison_table(rows).splitlines()
    assert lines[0].split() == ["strategy", "flat", "steps", "low", "outcome"]
    assert lines[3].split() == ["crown-first", "yes", "8", "-0.07", "flat"]
    assert lines[4].split() == ["x", "no", "12", "-", "limit"]
    ends = [line.index(word) + len(word) for line, word in
            ((lines[0], "steps"), (lines[3], " 8"), (lines[4], " 12"))]
    assert len(set(ends)) == 1
    assert all(line == line.rstrip() for line in lines)


def test_scene_without_pyvista_says_what_to_install(run_folder, tmp_path, monkeypatch):
    monkeypatch.setattr(scene.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InputError, match="pip install"):
        scene.draw_scenes(run_folder, tmp_path / "s")


def test_scene_outlives_a_renderer_that_dies(run_folder, tmp_path, monkeypatch):
    monkeypatch.setattr(scene.importlib.util, "find_spec", lambda name: object())
    killed = tmp_path / "dies"  # stands for VTK without OpenGL, which ends by a signal
    killed.write_text("#!/bin/sh\nkill -SEGV $$\n")
    killed.chmod(0o755)
    monkeypatch.setattr(scene.sys, "executable", str(killed))
    with pytest.raises(InputError, match="no working OpenGL"):
        scene.draw_scenes(run_folder, tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []
