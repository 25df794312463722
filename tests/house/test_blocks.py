"""Every command, snippet and file shown in README and docs: it exists, and can be given as shown.

What is cheap is also run, see `test_blocks_run`.
"""

from __future__ import annotations

import ast
import importlib
import re
import tomllib
from pathlib import Path

import click
import house_lint as lint
import pytest
from docblocks import (
    PLAIN,
    PYTHON,
    SHELL,
    YAML,
    Block,
    blocks,
    blocks_of,
    pages,
    program,
    without_blocks,
)
from ruamel.yaml import YAML as Reader

from simkit.case import load_case, make_case
from simkit.case.load import given
from simkit.cli.main import VERBS
from simkit.repair.spoken import read_operation
from simkit.study.studyfile import Study
from simkit.tool.catalogue import with_files

ALL = blocks()
TYPED = [(block, words) for block in ALL if block.language == SHELL for words in block.commands()]
OURS = [(block.name, words[1:]) for block, words in TYPED if program(words) == "simkit"]
HELP = [(f"simkit {verb} --help", line.split("simkit ", 1)[1]) for verb in VERBS
        for line in (importlib.import_module(f"simkit.cli.{verb}").command.epilog or "").split("\n")
        if line.strip().startswith("simkit ")]
BUILD = tomllib.loads((lint.ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = set(BUILD["optional-dependencies"])
READERS_OWN = {"door.ply", "scan.ply", "own.yaml", "after.csv", "my-study.yaml", "my-panel.yaml",
               "strip.csv",
               "runs/second", "/shared/my-study"}
"""Names that stand for a file of the reader's; everything else must exist or be made by a command
of the pages."""


def test_no_block_goes_by_unseen():
    """Every language is one that is dealt with, and every block that is not run says why."""
    assert {block.language for block in ALL} <= {SHELL, PYTHON, YAML, *PLAIN}
    assert [b.name for b in ALL if b.reason and (b.language == YAML or b.language in PLAIN)] == []
    assert [b.name for b in ALL if 0 < len(b.reason) < 12] == []
    assert len(OURS) > 30


def test_no_code_hides_from_these_tests_by_being_indented_without_a_fence():
    found = [f"{page.relative_to(lint.ROOT)}: {line.strip()}" for page in pages()
             for line in without_blocks(page.read_text(encoding="utf-8")).split("\n")
             if re.match(r" {4,}(simkit|python|import|from|pip|apt) ", line)
             or re.match(r" {4,}(dent|history|kit|panel|mesh):", line)]
    assert found == []


def test_a_mark_is_read_only_right_above_its_block():
    text = "<!-- not run: it takes minutes -->\n```bash\na b\n```\n\n```bash\nc \\\n  d && e\n```\n"
    one, other = blocks_of(text, "page")
    assert (one.reason, one.line, other.reason) == ("it takes minutes", 2, "")
    assert other.commands() == [["c", "d"], ["e"]]


@pytest.mark.parametrize(("where", "words"), OURS, ids=[f"{w}:{' '.join(c)}" for w, c in OURS])
def test_a_command_of_the_pages_can_be_given(where, words):
    if words[0].startswith("-"):
        assert words[0] in ("--version", "--help", "-h")
        return
    given_to(words)
    assert unknown_paths(words) == []


def given_to(words: list[str]) -> click.Context:
    """The context that click makes of a command; a usage error where it cannot be given."""
    assert words[0] in VERBS
    command: click.Command = importlib.import_module(f"simkit.cli.{words[0]}").command
    context = command.make_context(words[0], list(words[1:]), resilient_parsing=False)
    for said in context.params.get("words", ()) if words[0] == "try" else ():
        read_operation(said)
    return context


def unknown_paths(words: list[str]) -> list[str]:
    """Files and folders of a command that are not there and that no command of the pages makes."""
    context = given_to(words)
    named = []
    for parameter in context.command.params:
        value = context.params.get(parameter.name or "")
        if isinstance(parameter.type, click.Path) and parameter.name not in ("out", "draw"):
            named += [str(v) for v in (value if isinstance(value, tuple) else [value]) if v]
    made = made_folders()
    return [name for name in named if not (lint.ROOT / name).exists() and name not in READERS_OWN
            and not any(name == folder or name.startswith(f"{folder}/") for folder in made)]


def made_folders() -> set[str]:
    """Folders that commands of the pages and of the help make."""
    made = set()
    for words in [*(words for _, words in OURS), *(line.split() for _, line in HELP)]:
        made |= {words[k + 1] for k, word in enumerate(words[:-1]) if word == "--out"}
        if words[0] == "init":
            made.add(words[1])
    return made


def test_a_path_that_nobody_makes_is_found():
    assert unknown_paths(["show", "runs/never-made"]) == ["runs/never-made"]
    assert unknown_paths(["check", "cases/first-dent"]) == []


@pytest.mark.parametrize(("where", "line"), HELP, ids=[line for _, line in HELP])
def test_an_example_of_the_help_can_be_given(where, line):
    words = Block(where, 1, SHELL, re.sub(r"\s{3,}\S.*$", "", line).split(" >")[0], "").commands()
    if words[0][0].startswith("-"):
        return
    assert words[0][0] in VERBS, where
    if "--schema" not in words[0] and "--reference" not in words[0]:
        assert unknown_paths([word.replace("*", "first") for word in words[0]]) == [], where


def _pip(words: list[str]) -> bool:
    packages = [word for word in words[2:] if not word.startswith("-")]
    extras = re.findall(r"\[([\w,-]+)\]", " ".join(packages))
    return words[1] == "install" and bool(packages) and all(
        word.split("[")[0] in (".", "simkit") for word in packages) and {
            extra for group in extras for extra in group.split(",")} <= EXTRAS


def _pytest(words: list[str]) -> bool:
    return all((lint.ROOT / word).exists() for word in words[1:] if "/" in word)


def _tester(words: list[str]) -> bool:
    """A program that the extra `test` brings."""
    brought = {re.split(r"[>=<]", name)[0] for name in BUILD["optional-dependencies"]["test"]}
    return {"lint-imports": "import-linter"}.get(program(words), program(words)) in brought


OTHERS = {"pip": _pip, "pytest": _pytest, "ruff": _tester, "mypy": _tester,
          "lint-imports": _tester, "sphinx-build": lambda words: (lint.ROOT / "docs").is_dir(),
          "python": lambda words: (lint.ROOT / words[1]).is_file(),
          "python3": lambda words: words[1:3] == ["-m", "venv"],
          "run": lambda words: (lint.ROOT / words[0]).is_file(),
          "apt": lambda words: words[1] == "install" and len(words) > 2,
          "dask": lambda words: words[1] in ("scheduler", "worker")}
"""Other programs of the pages, and what is asked of a command of each."""


@pytest.mark.parametrize(("block", "words"), [(b, w) for b, w in TYPED if program(w) != "simkit"],
                         ids=lambda value: value.name if isinstance(value, Block) else "")
def test_other_programs_are_known_and_given_rightly(block, words):
    assert program(words) in OTHERS, block.name
    assert OTHERS[program(words)](words), block.name


@pytest.mark.parametrize("block", [b for b in ALL if b.language == PYTHON], ids=lambda b: b.name)
def test_python_of_the_pages_is_python_and_code_of_ours_is_as_it_stands(block):
    tree = ast.parse(block.text)
    assert tree.body
    if block.page.startswith("docs/verification/"):
        assert block.text.strip() in PROBLEMS, f"{block.name} is not what the code says"


PROBLEMS = "\n".join(file.read_text(encoding="utf-8") for file in lint.sources("simkit")
                     if "verification" in file.parts)


@pytest.mark.parametrize("block", [b for b in ALL if b.language == YAML], ids=lambda b: b.name)
def test_yaml_of_the_pages_is_what_simkit_reads(block, tmp_path):
    data = Reader(typ="safe", pure=True).load(block.text.replace(", ...]", "]"))
    if "cases" in data:
        Study.model_validate(_tuples(data))
    elif set(data) <= {"tabs", "tips", "glues"}:
        (tmp_path / "own.yaml").write_text(block.text)
        assert with_files((tmp_path / "own.yaml",))
    elif "format" in data:
        make_case(data)
    else:
        _with_files_made(data, tmp_path, catalogue_of(block.page))
        base = given(load_case(lint.ROOT / "cases" / "questions" / "panels" / "bowl.yaml"))
        if "dent" in data:
            base.pop("dent")
        if "strategies" in data and "own_strategies" not in data:
            base.pop("strategies")
        assert make_case(_merged(base, data), tmp_path).title


def _tuples(value):
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(map(_tuples, value)) if isinstance(value, list) else value


def _merged(base, data):
    if isinstance(base, dict) and isinstance(data, dict):
        return {**base, **{key: _merged(base.get(key), item) for key, item in data.items()}}
    return data


def catalogue_of(page: str) -> str:
    """The catalogue of tools that a page shows; empty where it shows none."""
    shown = [b.text for b in ALL if b.page == page and b.language == YAML
             and b.text.startswith(("tabs:", "tips:", "glues:"))]
    return shown[0] if shown else ""


def _with_files_made(value, folder: Path, catalogue: str) -> None:
    """Files that a snippet names, empty but for catalogues, so that its keys are judged."""
    for item in value.values() if isinstance(value, dict) else value:
        if isinstance(item, dict | list):
            _with_files_made(item, folder, catalogue)
        elif isinstance(item, str) and re.fullmatch(r"[\w-]+\.(csv|ply|py|yaml)", item):
            (folder / item).write_text(catalogue if item.endswith(".yaml") else "")
