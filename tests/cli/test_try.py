"""`simkit try`, `init`, `completion` and `--json`: single operations, branches, plain answers."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from small_case import write_case

from simkit.cli.main import VERBS, main
from simkit.errors import InputError
from simkit.repair.operations import Operation
from simkit.repair.spoken import read_operation, say_operation

PUSH, TAP = "push ball-12 at 5,-4 to -1.7", "tap ball-12 at 38,-4 to 0"


def rows_of(file: Path) -> list[dict[str, str]]:
    with open(file, newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def tried(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A case, and two operations tried on it."""
    folder = tmp_path_factory.mktemp("try")
    case = write_case(folder / "case", "fine_mm: 8", "fine_mm: 10")
    code = main(["try", str(case), "--do", PUSH, "--do", TAP, "--out", str(folder / "out"),
                 "--threads", "1"])
    assert code == 0
    return folder


def test_each_operation_is_a_recorded_step(tried: Path) -> None:
    rows = rows_of(tried / "out" / "01" / "steps.csv")
    assert [row["operation"] for row in rows] == ["dent", "push", "tap-down"]
    assert abs(float(rows[1]["released_mm"]) + 1.7) < 0.05
    assert (tried / "out" / "01" / "pictures" / "difference.png").stat().st_size > 10_000


def test_a_branch_from_a_step_gives_what_the_first_way_gave(tried: Path) -> None:
    """Same in, same out: the second operation again, from the step before it."""
    case, out = str(tried / "case" / "case.yaml"), str(tried / "out")
    assert main(["try", case, "--from", str(tried / "out" / "01"), "--step", "1", "--do", TAP,
                 "--out", out, "--threads", "1"]) == 0
    before = np.load(tried / "out" / "01" / "fields" / "0002.npz")["d_mm"]
    again = np.load(tried / "out" / "02" / "fields" / "0001.npz")["d_mm"]
    assert np.array_equal(before, again)


def test_a_run_of_another_case_is_refused(tried: Path, tmp_path: Path,
                                          capsys: pytest.CaptureFixture[str]) -> None:
    other = write_case(tmp_path / "other", "thickness_mm: 0.8", "thickness_mm: 0.9")
    assert main(["try", str(other), "--from", str(tried / "out" / "01"), "--do", TAP,
                 "--out", str(tmp_path / "out")]) == 2
    assert "another case" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("text", "wanted"), [
    ("pull round-30 at 30,-15 to -2", Operation("pull", "round-30", 30.0, -15.0, -2.0)),
    ("TAP ball-12 at 1.5 , .5", Operation("tap-down", "ball-12", 1.5, 0.5)),
    ("push block-40x20 at -3,4 to +0.5 turn 30",
     Operation("push", "block-40x20", -3.0, 4.0, 0.5, 30.0)),
    ("hold round-30 at 30,-15 by 250", Operation("hold", "round-30", 30.0, -15.0, force_N=250.0)),
    ("hold round-30 at 0,0 by 250 locked",
     Operation("hold", "round-30", 0.0, 0.0, force_N=250.0, way="locked")),
    ("hold round-30 at 0,0 by 250 springy 80",
     Operation("hold", "round-30", 0.0, 0.0, force_N=250.0, way="springy",
               stiffness_N_per_mm=80.0)),
    ("tap ball-12 at 0,65 everything-off may-snap",
     Operation("tap-down", "ball-12", 0.0, 65.0, everything_off=True, may_snap=True)),
    ("let-down", Operation("let-down", "", 0.0, 0.0)),
])
def test_operations_are_read_as_said_and_said_as_read(text: str, wanted: Operation) -> None:
    assert read_operation(text) == wanted
    assert read_operation(say_operation(wanted)) == wanted


@pytest.mark.parametrize("text", ["pull at 1,2", "pull round-30 at 1", "pull round-30 at one,2",
                                  "twist round-30 at 1,2", "", "pull round-30 at 1,2 by 200",
                                  "pull round-30 at 1,2 to", "tap ball-12 at 1,2 locked",
                                  "hold round-30 at 1,2 by 200 springy",
                                  "hold round-30 at 1,2 by 200 locked 80"])
def test_what_is_no_operation_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        read_operation(text)


def test_the_starter_is_sound_and_is_not_written_over(tmp_path: Path,
                                                      capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["init", str(tmp_path / "mine")]) == 0
    assert main(["check", str(tmp_path / "mine")]) == 0
    text = (tmp_path / "mine" / "case.yaml").read_text(encoding="utf-8")
    assert "invented" in text.lower()
    assert main(["init", str(tmp_path / "mine")]) == 2
    assert capsys.readouterr().err.startswith("error: ")


def test_json_is_one_object_and_progress_stands_beside_it(
        tried: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = str(tried / "case" / "case.yaml")
    for arguments, key in ((["check", case], "summary"), (["grades", "DC04"], "grades"),
                           (["read", case], "reading"),
                           (["show", str(tried / "out" / "01")], "pictures")):
        assert main([*arguments, "--json"]) == 0
        said = capsys.readouterr()
        answer = json.loads(said.out, parse_constant=pytest.fail)  # no NaN, no Infinity
        assert answer[key]
        assert said.err.strip()


def test_every_verb_has_json(capsys: pytest.CaptureFixture[str]) -> None:
    for verb in VERBS:
        assert main([verb, "--help"]) == 0
        assert "--json" in capsys.readouterr().out, verb


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts_call_back(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert "_SIMKIT_COMPLETE" in script
    assert main(["completion", shell, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["script"] == script.removesuffix("\n")
