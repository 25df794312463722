"""README, build file and CI say the same, and what they say exists."""

from __future__ import annotations

import importlib
import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import house_lint as lint
import pytest

from simkit.checks.deeper import check_case
from simkit.cli.main import VERBS

README = (lint.ROOT / "README.md").read_text(encoding="utf-8")
BUILD = tomllib.loads((lint.ROOT / "pyproject.toml").read_text(encoding="utf-8"))
COMMANDS = re.findall(r"^```bash\n(python3 -m venv .*)\n```$", README, re.MULTILINE)
"""The one-line commands of the README, each alone in a block of its own."""
CASES = sorted(file.parent for file in (lint.ROOT / "cases").glob("*/case.yaml"))
LINK = re.compile(r"\]\(([^)#]+)(?:#[^)]*)?\)")
PAGES = [lint.ROOT / "README.md", lint.ROOT / "DEVELOPERS.md", *lint.ROOT.glob("docs/*.md"),
         *lint.ROOT.glob("docs/decisions/*.md")]


def test_the_readme_has_two_commands_each_with_a_fresh_environment():
    run, test = COMMANDS
    for command in (run, test):
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install ")
    assert ".venv/bin/simkit compare cases/first-dent --out runs/first-dent" in run
    assert test.endswith(".venv/bin/pytest")


def test_ci_runs_the_readme_test_command_and_every_linter():
    script = lint.ROOT / ".ci" / "run"
    assert os.access(script, os.X_OK)
    shown = subprocess.run([str(script), "--show"], capture_output=True, text=True, check=True)
    first, *linters = shown.stdout.splitlines()
    assert first == COMMANDS[1]
    assert [Path(line.split()[0]).name for line in linters] == ["simkit", "ruff", "mypy",
                                                                "lint-imports", "sphinx-build"]


def test_the_extras_the_readme_names_exist():
    extras = set(re.findall(r"\.\[([\w,-]+)\]", README)) | set(re.findall(r"extra `([\w-]+)`",
                                                                          README))
    assert "test" in extras
    assert extras <= set(BUILD["project"]["optional-dependencies"])


def test_the_readme_commands_name_verbs_and_options_that_exist():
    words = shlex.split(COMMANDS[0].split("&&")[-1])
    program, verb, case, option = words[:4]
    assert program.endswith(next(iter(BUILD["project"]["scripts"])))
    assert verb in VERBS
    assert (lint.ROOT / case / "case.yaml").is_file()
    command: click.Command = importlib.import_module(f"simkit.cli.{verb}").command
    assert option in {name for parameter in command.params for name in parameter.opts}


def test_every_verb_can_be_loaded():
    for verb in VERBS:
        command: click.Command = importlib.import_module(f"simkit.cli.{verb}").command
        assert command.help, verb


def test_python_m_simkit_is_the_command():
    done = subprocess.run([sys.executable, "-m", "simkit", "--version"], capture_output=True,
                          text=True, check=True, cwd=lint.ROOT)
    assert BUILD["project"]["version"] in done.stdout


def test_data_files_are_packaged():
    """What the package reads beside its code is of a kind that the build file includes."""
    kinds = {Path(pattern).suffix for pattern in BUILD["tool"]["setuptools"]["package-data"]
             ["simkit"]}
    data = {f.suffix for f in (lint.ROOT / "simkit").rglob("*")
            if f.is_file() and f.suffix in {".yaml", ".csv", ".json", ".txt", ".npz"}}
    assert data
    assert data <= kinds


@pytest.mark.parametrize("folder", CASES, ids=lambda folder: folder.name)
def test_every_demo_case_is_sound_and_says_that_it_is_invented(folder):
    case = check_case(str(folder))
    assert "invented" in case.about.lower()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page):
    targets = [t for t in LINK.findall(page.read_text(encoding="utf-8")) if "://" not in t]
    missing = [t for t in targets if not (page.parent / t).exists()]
    assert missing == []


def test_decisions_are_numbered_without_gaps_and_say_what_was_measured():
    pages = sorted(lint.ROOT.glob("docs/decisions/[0-9]*.md"))
    assert [int(p.name[:4]) for p in pages] == list(range(1, len(pages) + 1))
    for page in pages:
        heads = re.findall(r"^## (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
        assert heads == ["Context", "Decision", "Measured", "Consequences"], page.name
