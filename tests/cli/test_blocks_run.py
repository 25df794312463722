"""Commands and snippets of README and docs, run in the order of the pages on a small first dent.

The demo case is replaced by one of the same name that is worked within a second; everything else
is as a reader has it who follows the pages. Blocks marked `<!-- not run: ... -->` are parsed only.
"""

from __future__ import annotations

import contextlib
import importlib.util
import io
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "house"))

import house_lint as lint
from docblocks import PYTHON, SHELL, Block, blocks, program

from simkit.cli.main import main
from simkit.folders import release
from simkit.show import style

FIRST_DENT = """\
format: 1
title: First dent
about: Invented for the tests; small, so that the pages' commands run within seconds.
panel: {surface: curved, length_x_mm: 260, length_y_mm: 240, radius_x_mm: 1200, radius_y_mm: 600,
  thickness_mm: 0.75, grade: DC04}
mesh: {fine_mm: 14, coarse_mm: 40, layers: 3}
dent:
  blows:
    - {body: ball, radius_mm: 25, x_mm: 30, y_mm: -15, depth_mm: 1.5}
kit: {tabs: [round-20, round-30, round-40], tips: [ball-12], glue: strong-hot-melt}
limits: {steps: 1}
strategies: [centre-first, crown-first]
"""
SMALL = ("first-dent", "door-dent")
NEEDS = {"--pdf": "weasyprint", "--three-d": "pyvista"}
"""Options of packages that are optional; without them a command is refused, and says what to do."""
DONE, NOT_FLAT = 0, 1


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clone as a reader has it, with small dents in it for those that pages compare."""
    clone = tmp_path_factory.mktemp("clone")
    for name in SMALL:
        (clone / "cases" / name).mkdir(parents=True)
        (clone / "cases" / name / "case.yaml").write_text(FIRST_DENT)
    for folder in lint.ROOT.glob("cases/*"):
        if folder.name not in SMALL:
            (clone / "cases" / folder.name).symlink_to(folder)
    return clone


def ours(language: str) -> list[Block]:
    """Blocks that are run."""
    return [b for b in blocks() if b.language == language and not b.reason]


def test_the_commands_of_the_pages_run_one_after_the_other(
        place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(place)
    monkeypatch.setattr(style, "DPI", 40)
    seen: dict[str, list[str]] = {}
    for block in ours(SHELL):
        for words in block.commands():
            line = " ".join(["simkit", *words[1:]])
            if program(words) != "simkit" or line in seen:
                continue
            code, said = run(words[1:])
            package = next((NEEDS[word] for word in words if word in NEEDS), None)
            if package and importlib.util.find_spec(package) is None:
                assert (code, package in said) == (2, True), f"{block.name}: {line}: {said}"
            else:
                assert code in allowed(words[1]), f"{block.name}: {line}: exit {code}: {said}"
            seen.setdefault(line, []).append(block.name)
    assert {line.split()[1] for line in seen} >= {"compare", "show", "sheet", "report", "export",
                                                  "check", "init", "read", "try", "run", "study"}


def run(argv: list[str]) -> tuple[int, str]:
    """Exit code, and what was said to standard error."""
    release()
    said = io.StringIO()
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()):
        code = main([*argv, "--workers", "1"] if argv[0] == "compare" else argv)
    return code, said.getvalue()


def allowed(verb: str) -> tuple[int, ...]:
    """One step does not make the panel flat, which `run` says by its exit code."""
    return (DONE, NOT_FLAT) if verb == "run" else (DONE,)


def test_the_python_of_the_pages_runs(place: Path, monkeypatch: pytest.MonkeyPatch,
                                      capsys: pytest.CaptureFixture[str]) -> None:
    """docs/python.md from top to bottom in one go, then the snippets that go on from it."""
    monkeypatch.chdir(place)
    if not (place / "runs" / "first-dent").exists():
        run(["compare", "cases/first-dent", "--out", "runs/first-dent"])
    names: dict[str, object] = {}
    found = [b for b in ours(PYTHON) if not b.page.startswith("docs/verification/")]
    found.sort(key=lambda b: b.page != "docs/python.md")
    for block in found:
        exec(compile(block.text, block.name, "exec"), names)
    assert len(found) >= 4
    assert names["check"].stiffness_N_per_mm > 0.0
    operation = names["Ours"]().next(names["session"])
    assert (operation.kind, operation.tool) == ("push", "ball-12")
    assert len(capsys.readouterr().out.splitlines()) >= 4
