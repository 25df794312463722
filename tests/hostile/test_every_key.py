"""Every key of the case file is taken up by what computes, so that none is documented in vain.

Read from the sources: a key counts as taken up when code outside the case file's own models, the
printed summary, the command line and the pictures asks for it by name. That is necessary, not
sufficient; that a key changes the answer is shown beside the code that takes it up.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import simkit
from simkit.case.entries import entries

ROOT = Path(str(simkit.__file__)).parent
ASIDE = ("case", "cli", "show", "live")
WORDS = {"format", "title", "about", "name"}
"""Keys that are words for people, or say which format it is."""


def asked_for() -> set[str]:
    """Names of attributes and texts in the code that computes."""
    found: set[str] = set()
    for file in ROOT.rglob("*.py"):
        inside = file.relative_to(ROOT)
        if inside.parts[0] in ASIDE or inside.name == "summary.py":
            continue
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute):
                found.add(node.attr)
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                found.add(node.value)
            elif isinstance(node, ast.arg):  # a tool's block is handed over whole, by its keys
                found.add(node.arg)
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                found.add(node.target.id)
    # rules of the case's own blocks, such as which limits a stage has
    for name in ("repair.py", "dent.py", "blows.py", "tools.py", "plan.py"):
        for node in ast.walk(ast.parse((ROOT / "case" / name).read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load):
                found.add(node.attr)
    return found


KEYS = sorted({entry.loc[-1]: entry.dotted for entry in entries().values()
               if not entry.loc[-1].startswith(("<", "["))}.items())


def test_there_are_keys() -> None:
    assert len(KEYS) > 80


@pytest.mark.parametrize(("key", "dotted"), [item for item in KEYS if item[0] not in WORDS],
                         ids=lambda text: text)
def test_a_key_is_taken_up(key: str, dotted: str) -> None:
    # minutes are asked for as f"{name}_min"
    asked = key.removesuffix("_min") if dotted.startswith("times.") else key
    assert {asked, asked.replace("_", "-")} & TAKEN, dotted


TAKEN = asked_for()


def test_a_key_in_vain_is_seen() -> None:
    assert "colour_of_the_sky" not in TAKEN
