"""Faults from outside while simkit works: kills, a full disk, modules in the current folder.

Each in a process of its own, on a case that is repaired within seconds.
"""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from simkit import exit_codes
from simkit.folders import MARK

CASE = """\
format: 1
title: Small bowl
about: Invented for the tests.
panel: {length_x_mm: 120, length_y_mm: 100, thickness_mm: 0.8, grade: DC04}
mesh: {fine_mm: 20, coarse_mm: 40, layers: 3}
dent:
  shapes: [{kind: bowl, x_mm: 5, y_mm: -4, length_mm: 70, width_mm: 60, depth_mm: 1.0}]
history: {method: imprint, rounds: 2, match_mm: 0.5}
kit: {tabs: [round-25], tips: [ball-12]}
goal: {tolerance_mm: 0.15}
limits: {steps: 2}
strategies: [crown-first, worst-spot-first]
"""
SIMKIT = [sys.executable, "-P", "-m", "simkit"]
ENDED = {0, 1, 3, 4}
RUN = ("run", "case", "--strategy", "crown-first", "--threads", "1", "--out", "out")
COMPARE = ("compare", "case", "--workers", "2", "--out", "out")


@pytest.fixture
def here(tmp_path: Path) -> Path:
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / "case.yaml").write_text(CASE)
    return tmp_path


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What run and compare write when nobody disturbs them."""
    folder = tmp_path_factory.mktemp("undisturbed")
    (folder / "case").mkdir()
    (folder / "case" / "case.yaml").write_text(CASE)
    for argv in (RUN, COMPARE):
        done = simkit(folder, *argv[:-1], argv[0])
        assert done.returncode in ENDED, done.stderr
    return folder


def simkit(here: Path, *argv: str, **more: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*SIMKIT, *argv], cwd=here, capture_output=True, text=True, timeout=900,
                          check=False, **more)  # type: ignore[call-overload, no-any-return]


def tables(folder: Path) -> dict[str, bytes]:
    """Every table of a folder by its path."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*.csv")}


def names(folder: Path) -> set[str]:
    return {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()}


def marked(here: Path) -> dict[str, str]:
    """The environment with a word by which the workers of this test are known: others may work
    on this machine."""
    return {**os.environ, "OF_TEST": str(here)}


def children(here: Path) -> set[int]:
    """Workers of what was started in a folder by `start`."""
    word = f"OF_TEST={here}\0".encode()
    found = set()
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = entry.read_bytes()
            if b"spawn_main" not in words and b"simkit.study.run_process" not in words:
                continue
            ours = word in (entry.parent / "environ").read_bytes()
        except OSError:
            continue
        if ours:
            found.add(int(entry.parent.name))
    return found


def start(here: Path, *argv: str, errors: int = subprocess.DEVNULL) -> subprocess.Popen[str]:
    return subprocess.Popen([*SIMKIT, *argv], cwd=here, stdout=subprocess.DEVNULL, text=True,
                            stderr=errors, env=marked(here))


def until(what: Callable[[], object], seconds: float = 600.0) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if what():
            return True
        time.sleep(0.02)
    return False


@pytest.mark.parametrize(("moment", "sign"), [
    ("reconstruction.json", signal.SIGKILL), ("steps.csv", signal.SIGTERM)])
def test_a_killed_run_goes_on(here: Path, undisturbed: Path, moment: str,
                              sign: signal.Signals) -> None:
    process = start(here, *RUN)
    assert until(lambda: (here / "out" / moment).exists() or process.poll() is not None)
    process.send_signal(sign)
    code = process.wait(60)
    assert code in {-sign, exit_codes.TERMINATED, *ENDED}
    assert simkit(here, *RUN).returncode in ENDED
    assert tables(here / "out") == tables(undisturbed / "run")
    assert names(here / "out") == names(undisturbed / "run")


def test_a_killed_comparison_leaves_no_orphan_and_goes_on(here: Path, undisturbed: Path) -> None:
    process = start(here, *COMPARE)
    until(lambda: len(list((here / "out").glob("runs/*/steps.csv"))) == 2
          or process.poll() is not None)
    process.kill()
    process.wait(60)
    assert until(lambda: not children(here), 20.0)
    assert simkit(here, *COMPARE).returncode in ENDED
    assert tables(here / "out") == tables(undisturbed / "compare")
    assert names(here / "out") == names(undisturbed / "compare")


def test_a_killed_worker_is_named(here: Path) -> None:
    process = start(here, *COMPARE, errors=subprocess.PIPE)
    assert until(lambda: any((here / "out").glob("runs/*/case.json")))
    for worker in children(here):
        os.kill(worker, signal.SIGKILL)
    said = process.communicate(timeout=300)[1]
    if process.returncode not in ENDED:  # it may have been done already
        assert process.returncode == exit_codes.SYSTEM
        assert said.startswith("error: a worker process ended")
        assert said.count("\n") == 1


def test_a_full_disk_is_one_line_and_leaves_no_half(here: Path, undisturbed: Path) -> None:
    def small_files() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    done = simkit(here, *RUN, preexec_fn=small_files)
    assert done.returncode == exit_codes.INPUT_OUTPUT
    assert done.stderr.count("\n") == 1
    assert "File too large" in done.stderr
    assert not list((here / "out").rglob("*.part"))
    assert simkit(here, *RUN).returncode in ENDED
    assert tables(here / "out") == tables(undisturbed / "run")


def test_a_folder_removed_meanwhile_is_one_line(here: Path) -> None:
    process = subprocess.Popen([*SIMKIT, *RUN], cwd=here, stdout=subprocess.DEVNULL,
                               stderr=subprocess.PIPE, text=True)
    assert until(lambda: (here / "out" / "case.json").exists())
    os.rename(here / "out", here / "gone")
    said = process.communicate(timeout=300)[1]
    if process.returncode not in ENDED:
        assert process.returncode == exit_codes.INPUT_OUTPUT
        assert "removed or replaced" in said
        assert said.count("\n") == 1
    assert not (here / "out").exists()


def test_damaged_records_are_computed_again(undisturbed: Path, tmp_path: Path) -> None:
    shutil.copytree(undisturbed / "run", tmp_path / "out")
    shutil.copytree(undisturbed / "case", tmp_path / "case")
    steps = tmp_path / "out" / "steps.csv"
    altered = steps.read_bytes().replace(b"dent", b"bent", 1)
    assert altered != steps.read_bytes()
    steps.write_bytes(altered)
    done = simkit(tmp_path, *RUN)
    assert done.returncode in ENDED, done.stderr
    assert "altered or damaged" in done.stdout
    assert tables(tmp_path / "out") == tables(undisturbed / "run")


def test_no_code_of_the_current_folder_runs_and_an_edited_case_changes_nothing(
        here: Path, undisturbed: Path) -> None:
    """`python -m` puts the current folder first; the case is edited while workers start."""
    evil = "import os; open('EVIL', 'a').write(__name__); raise SystemExit(99)\n"
    for name in ("multiprocessing", "numpy", "numba", "click", "json", "yaml", "matplotlib",
                 "sitecustomize", "concurrent", "simkit_extra"):
        (here / f"{name}.py").write_text(evil)
    (here / ".numba_config.yaml").write_text(f"cache_dir: {here / 'kernels'}\ndisable_jit: 1\n")
    (here / "matplotlibrc").write_text("no: such: thing\nbackend: module://EVIL\n")
    process = subprocess.Popen([sys.executable, "-m", "simkit", *COMPARE], cwd=here, text=True,
                               stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    assert until(lambda: (here / "out" / "case.json").exists() or process.poll() is not None)
    (here / "case" / "case.yaml").write_text(CASE.replace("thickness_mm: 0.8", "thickness_mm: 1"))
    said = process.communicate(timeout=900)[1]
    assert process.returncode in ENDED, said
    assert tables(here / "out") == tables(undisturbed / "compare")
    assert not (here / "EVIL").exists()
    assert not (here / "kernels").exists()
    assert "matplotlibrc" not in said


def test_closed_and_full_outputs(here: Path) -> None:
    def closed(*numbers: int) -> Callable[[], None]:
        return lambda: [os.close(number) for number in numbers] and None

    for numbers in ((1,), (2,), (0, 1, 2)):
        done = subprocess.run([*SIMKIT, "check", "case"], cwd=here, preexec_fn=closed(*numbers),
                              timeout=60, check=False)
        assert done.returncode == 0
    with open("/dev/full", "w") as full:
        done = subprocess.run([*SIMKIT, "check", "case"], cwd=here, stdout=full, timeout=60,
                              stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == exit_codes.INPUT_OUTPUT
    assert done.stderr.startswith("error: standard output: No space left")
    assert done.stderr.count("\n") == 1
    done = simkit(here, "check", "case", env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert (done.returncode, done.stderr) == (0, "")


def test_two_at_once_do_not_share_a_folder(here: Path) -> None:
    first = start(here, *RUN)
    assert until(lambda: (here / "out" / MARK).exists())
    first.send_signal(signal.SIGSTOP)
    try:
        done = simkit(here, *RUN)
    finally:
        first.send_signal(signal.SIGCONT)
        first.kill()
        first.wait(60)
    assert done.returncode == exit_codes.BAD_INPUT
    assert "another simkit works in this folder" in done.stderr
