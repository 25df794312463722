"""Commands in README and docs are commands that exist, with the options they name."""

from __future__ import annotations

import importlib
import re
import shlex

import click
import house_lint as lint
import pytest

from simkit.cli.main import VERBS
from simkit.repair.spoken import read_operation

BLOCK = re.compile(r"^ *```bash\n(.*?)^ *```", re.MULTILINE | re.DOTALL)
PAGES = [lint.ROOT / "README.md", *sorted((lint.ROOT / "docs").glob("*.md")),
         *sorted((lint.ROOT / "docs" / "tutorials").glob("*.md")),
         *sorted((lint.ROOT / "docs" / "how-to").glob("*.md"))]


def commands(page) -> list[list[str]]:
    """Words of every line of a bash block that calls simkit."""
    lines = [line for block in BLOCK.findall(page.read_text(encoding="utf-8"))
             for line in block.replace("\\\n", " ").splitlines()]
    found = []
    for line in lines:
        for part in line.split("&&"):
            words = shlex.split(part, comments=True)
            if words and words[0].rsplit("/", 1)[-1] == "simkit" and len(words) > 1:
                found.append(words[1:])
    return found


ALL = [(page.name, words) for page in PAGES for words in commands(page)]


def test_there_are_commands_to_check():
    assert len(ALL) > 30
    assert {words[0] for _, words in ALL} >= {"init", "check", "compare", "try", "show", "export"}


@pytest.mark.parametrize(("page", "words"), ALL, ids=[f"{p}:{' '.join(w)}" for p, w in ALL])
def test_a_command_of_the_docs_can_be_given(page, words):
    if words[0].startswith("-"):
        assert words[0] in ("--version", "--help", "-h")
        return
    assert words[0] in VERBS, page
    command: click.Command = importlib.import_module(f"simkit.cli.{words[0]}").command
    context = command.make_context(words[0], list(words[1:]), resilient_parsing=False)
    for said in context.params.get("words", ()) if words[0] == "try" else ():
        read_operation(said)
    assert context.command is command


def test_the_table_of_contents_names_pages_that_exist():
    index = (lint.ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    named = [name for name in re.findall(r"^[\w/-]+$", index, re.MULTILINE)
             if not name.startswith("generated/")]
    assert len(named) > 20
    assert [name for name in named if not (lint.ROOT / "docs" / f"{name}.md").exists()] == []


def test_every_page_stands_in_the_table_of_contents():
    docs = lint.ROOT / "docs"
    index = (docs / "index.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^[\w/-]+$", index, re.MULTILINE))
    pages = {page.relative_to(docs).with_suffix("").as_posix() for page in docs.rglob("*.md")}
    by_folder = ("generated/", "decisions/", "verification/", "performance/")
    assert {page for page in pages if not page.startswith(by_folder)} - named == {"index"}
    assert {"decisions/*", "verification/*", "performance/*"} <= set(index.split())


def test_messages_that_the_troubleshooting_names_are_ours():
    page = (lint.ROOT / "docs" / "install.md").read_text(encoding="utf-8")
    rows = page.partition("## Troubleshooting")[2].splitlines()[4:]
    said = [text for row in rows if " from " not in row.split("|")[1]
            for text in re.findall(r"`([^`]+)`", row.split("|")[1])]
    code = re.sub(r'"\s+f?"', "", "".join(
        file.read_text(encoding="utf-8") for file in lint.sources("simkit")))
    parts = [part for text in said if not text.startswith("simkit ")
             for part in re.split(r": |\.\.\. ?", text) if len(part) > 9]
    assert len(parts) > 6
    assert [part for part in parts if part not in code] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_a_page_has_a_title_and_says_something(page):
    lines = page.read_text(encoding="utf-8").splitlines()
    assert any(line.startswith("# ") for line in lines)
    assert sum(bool(line.strip()) for line in lines) > 3
