"""Every fenced block of README, DEVELOPERS and docs, with where it stands and what is done with it.

A block of shell commands is run, by the tests of `test_blocks_run`, unless the line above its fence
says `<!-- not run: REASON -->`. Those that are not run are parsed like all others.
"""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass
from pathlib import Path

import house_lint as lint

FENCE = re.compile(r"^(?P<in> *)```(?P<language>\S*)[^\n]*\n(?P<text>.*?)^ *```[ \t]*$",
                   re.MULTILINE | re.DOTALL)
NOT_RUN = re.compile(r"<!-- not run: (.+?) -->\s*\Z")
SHELL, PYTHON, YAML = "bash", "python", "yaml"
VARIABLE = re.compile(r"[A-Z_]+=")
"""A variable of the environment that is set before a command."""
PLAIN = {"text", "", "{toctree}"}
"""Blocks that nobody types: formulas, what was printed, tables of contents."""


@dataclass(frozen=True)
class Block:
    """One fenced block.

    Attributes
    ----------
    page : path from the root; line : of its fence, from 1; reason : why it is not run, "" if it is.
    """

    page: str
    line: int
    language: str
    text: str
    reason: str

    @property
    def name(self) -> str:
        """Where it stands."""
        return f"{self.page}:{self.line}"

    def commands(self) -> list[list[str]]:
        """Words of every command of a block of shell lines, without what follows a #."""
        whole = self.text.replace("\\\n", " ")
        parts = [part for row in whole.splitlines() for part in _apart(row)]
        return [words for words in parts if words]


def _apart(row: str) -> list[list[str]]:
    """Words of the commands of a line, which && parts."""
    found: list[list[str]] = [[]]
    for word in shlex.split(row, comments=True):
        if word == "&&":
            found.append([])
        elif found[-1] or not VARIABLE.match(word):
            found[-1].append(word)
    return found


def pages() -> list[Path]:
    """Every page with blocks: the reader's way first, then the rest; made pages are left out."""
    docs = lint.ROOT / "docs"
    first = [lint.ROOT / "README.md", docs / "tutorials" / "first-dent.md"]
    others = [page for page in sorted(docs.rglob("*.md")) if page not in first
              and docs / "generated" not in page.parents]
    return [*first, *others, lint.ROOT / "DEVELOPERS.md"]


def blocks() -> list[Block]:
    """Every fenced block of every page."""
    return [block for page in pages() for block in blocks_of(
        page.read_text(encoding="utf-8"), page.relative_to(lint.ROOT).as_posix())]


def blocks_of(text: str, page: str) -> list[Block]:
    """Every fenced block of one page, its indentation taken off."""
    found = []
    for match in FENCE.finditer(text):
        mark = NOT_RUN.search(text[:match.start()])
        inner = re.sub(rf"^{match['in']}", "", match["text"], flags=re.MULTILINE)
        found.append(Block(page, text.count("\n", 0, match.start()) + 1, match["language"],
                           inner, mark[1] if mark else ""))
    return found


def without_blocks(text: str) -> str:
    """A page without its fenced blocks."""
    return FENCE.sub("", text)


def program(words: list[str]) -> str:
    """Name of the program of a command, without the way to it."""
    return words[0].rsplit("/", 1)[-1]
