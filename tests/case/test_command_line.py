"""The command line: exit codes, one line an error, quick start, no traceback."""

from __future__ import annotations

import errno
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from sound_case import SOUND, broken

from simkit import __version__, exit_codes
from simkit.case.reference import reference_page
from simkit.checks import deeper
from simkit.cli import check as check_module
from simkit.cli.main import VERBS, cli, main
from simkit.errors import InputError, InputErrors, WorkerLost
from simkit.material.grades import grade_names

Write = Callable[[str], Path]
GRADE = grade_names()[0]
RUN = [sys.executable, "-c", "import sys; from simkit.cli.main import main; sys.exit(main())"]


def with_grade(text: str) -> str:
    return text.replace("grade: GRADE", f"grade: {GRADE}")


def test_version_is_light() -> None:
    probe = ("import sys; from simkit.cli.main import main; main(['--version']); "
             "print([m for m in ('numpy', 'scipy', 'numba', 'pydantic', 'ruamel.yaml', "
             "'matplotlib') if m in sys.modules])")
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True,
                          check=True)
    assert done.stdout == f"simkit, version {__version__}\n[]\n"


def test_help_names_every_verb_without_importing_it() -> None:
    probe = ("import sys; from simkit.cli.main import main; main(['--help']); "
             "print([m for m in sys.modules if m.startswith('simkit.cli.') "
             "and m.removeprefix('simkit.cli.') not in ('main', 'lines')])")
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True,
                          check=True)
    assert all(verb in done.stdout for verb in VERBS)
    assert "Exit codes" in done.stdout
    assert done.stdout.endswith("[]\n")


@pytest.mark.parametrize("verb", ["check", "grades"])
def test_help_of_a_verb_teaches(verb: str) -> None:
    result = CliRunner().invoke(cli, [verb, "--help"])
    assert result.exit_code == 0
    assert "Examples:" in result.output
    assert len(result.output) > 400


def test_check_of_a_sound_case(write: Write) -> None:
    result = CliRunner().invoke(cli, ["check", str(write(with_grade(SOUND)))])
    assert result.exit_code == 0, result.output
    for part in ("600 x 400 mm, curved, radius 1200 mm in x", f"0.75 mm, {GRADE}",
                 "4 mm at the dent to 16 mm away", "bowl 100 x 80 mm, 4 mm deep at (10, 0)",
                 "crease 60 x 32 mm", "round-30, big, ball-12; glue standard-hot-melt",
                 "centre-first, crown-first"):
        assert part in result.output
    assert result.output.endswith("ok\n")


def test_check_prints_every_error_on_a_line_of_its_own(
    write: Write, capsys: pytest.CaptureFixture[str]
) -> None:
    text = with_grade(broken("thickness_mm: 0.75", "thickness_mm: 75"))
    file = write(text.replace("fine_mm: 4", "fien_mm: 4"))
    assert main(["check", str(file)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err == (
        f"error: {file}:9: panel.thickness_mm: 75 found; expected 0.3 to 4 mm; is the unit "
        f"right?\nerror: {file}:19: mesh.fien_mm: unknown key; did you mean 'fine_mm'?\n")


def test_misspelled_grade(write: Write, capsys: pytest.CaptureFixture[str]) -> None:
    file = write(SOUND.replace("grade: GRADE", f"grade: {GRADE}x"))
    assert main(["check", str(file)]) == 2
    assert f"{file}:10: panel.grade: no grade '{GRADE}x'; did you mean '{GRADE}'?" in (
        capsys.readouterr().err)


@pytest.mark.parametrize(("args", "part"), [
    (["chek"], "did you mean 'check'?"),
    (["nonsense"], "verbs: init, check, run"),
    (["check"], "Missing argument"),
    (["check", "a", "b"], "unexpected extra argument"),
    (["check", "--wrong"], "No such option"),
    (["--wrong"], "No such option"),
    (["check", "nowhere"], "error: nowhere: no such file or folder"),
    (["grades", "no-such-grade"], "no-such-grade"),
])
def test_bad_use_exits_with_2(
    args: list[str], part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(args) == 2
    out, err = capsys.readouterr()
    assert part in err
    assert out == ""


def test_process_exits_with_2_and_one_line(write: Write) -> None:
    file = write(with_grade(broken("surface: curved", "surface: curvd")))
    done = subprocess.run([*RUN, "check", str(file)], capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith(f"error: {file}:5: panel.surface: 'curvd' found")


def test_process_exits_with_0(write: Write) -> None:
    done = subprocess.run([*RUN, "check", str(write(with_grade(SOUND)))], capture_output=True,
                          text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_closed_pipe_leaves_no_trace() -> None:
    child = subprocess.Popen([*RUN, "check", "--reference"], stdout=subprocess.PIPE,
                             stderr=subprocess.PIPE)
    assert child.stdout is not None
    child.stdout.close()
    assert child.stderr is not None
    assert child.stderr.read() == b""
    assert child.wait() == 141


def verb_that(raises: BaseException) -> click.Command:
    @click.command()
    def command() -> None:
        raise raises

    return command


@pytest.mark.parametrize(("raises", "code", "words"), [
    (KeyboardInterrupt(), 130, "interrupted\n"),
    (click.Abort(), 130, "interrupted\n"),
    (BrokenPipeError(), 141, ""),
    (InputError("x found", "expected y", "a.csv", 3, "d_mm"), 2,
     "error: a.csv:3: d_mm: x found; expected y\n"),
    (InputErrors([InputError("one"), InputError("two")]), 2, "error: one\nerror: two\n"),
    (InputError("over\n two lines"), 2, "error: over two lines\n"),
    (click.exceptions.Exit(3), 3, ""),
    (click.FileError("a.csv", "gone"), 2, "Error: Could not open file 'a.csv': gone\n"),
])
def test_how_a_verb_may_end(
    raises: BaseException, code: int, words: str, monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("simkit.cli.main._silence_stdout", lambda: None)
    monkeypatch.setattr(check_module, "command", verb_that(raises))
    assert main(["check"]) == code
    assert capfd.readouterr().err == words


def test_a_fault_inside_is_one_line_and_a_report(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(check_module, "command", verb_that(ZeroDivisionError("one\ntwo")))
    assert main(["check"]) == exit_codes.INTERNAL
    said = capfd.readouterr().err
    assert said.count("\n") == 1
    assert "ZeroDivisionError: one two" in said
    (report,) = tmp_path.iterdir()
    assert str(report) in said
    assert "Traceback" in report.read_text(encoding="utf-8")


@pytest.mark.parametrize(("raises", "code", "words"), [
    (OSError(errno.ENOSPC, "No space left on device", "out/steps.csv"), exit_codes.INPUT_OUTPUT,
     "out/steps.csv: No space left on device; free some space"),
    (MemoryError(), exit_codes.SYSTEM, "not enough memory"),
    (WorkerLost("a worker process ended"), exit_codes.SYSTEM, "a worker process ended"),
])
def test_what_the_computer_does_is_named_for_what_it_is(
    raises: BaseException, code: int, words: str, monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(check_module, "command", verb_that(raises))
    assert main(["check"]) == code
    said = capfd.readouterr().err
    assert said.startswith(f"error: {words}")
    assert said.count("\n") == 1


def test_deeper_checks_are_all_run_and_get_the_file_name(
    write: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    def first(case: object) -> None:
        raise InputError("first fault")

    def second(case: object) -> None:
        raise InputErrors([InputError("second fault", file="points.csv", line=3)])

    monkeypatch.setattr(deeper, "DEEPER_CHECKS", (first, second))
    file = write(with_grade(SOUND))
    with pytest.raises(InputErrors) as caught:
        deeper.check_case(str(file))
    assert str(caught.value) == f"{file}: first fault\npoints.csv:3: second fault"


def test_schema_and_reference_are_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--schema"]) == 0
    assert json.loads(capsys.readouterr().out)["properties"]["panel"]
    assert main(["check", "--reference"]) == 0
    assert capsys.readouterr().out == reference_page()


def test_grades_lists_all_and_details_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["grades"]) == 0
    table = capsys.readouterr().out
    assert all(name in table for name in grade_names())
    assert main(["grades", GRADE]) == 0
    detail = capsys.readouterr().out
    assert GRADE in detail
    assert "source" in detail.lower()
    assert len(detail.splitlines()) > 5
