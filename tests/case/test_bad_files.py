"""Files that are no case file at all: one line, never a traceback."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sound_case import SOUND

from simkit.case import load_case
from simkit.errors import InputError, InputErrors

Write = Callable[[str], Path]

BROKEN = {
    # name: (contents, line or None, part of the message)
    "empty": (b"", 1, "empty file"),
    "only comments": (b"# nothing\n", 1, "empty file"),
    "null": (b"~\n", 1, "expected keys"),
    "list": (b"- a\n- b\n", 1, "a list found"),
    "plain text": (b"Dear reader, this is no case.\n", 1, "a single text found"),
    "binary": (bytes(range(256)), None, "not UTF-8 text"),
    "zero bytes": (b"format: 1\0\n", 1, "binary data"),
    "latin-1": ("format: 1\ntitle: Mèche\n".encode("latin-1"), 2, "saved as UTF-8"),
    "tab as indentation": (b"format: 1\npanel:\n\tsurface: flat\n", 3, "not tabs"),
    "unbalanced bracket": (b"format: 1\nstrategies: [a, b\ntitle: x\n", 3, "not valid YAML"),
    "colon in plain text": (b"format: 1\ntitle: a: b\n", 2, "put text with a colon in quotes"),
    "two documents": (b"format: 1\n---\nformat: 1\n", 2, "one case a file"),
    "YAML 1.1": (b"%YAML 1.1\n---\nformat: 1\n", 1, "without % lines"),
    "undefined alias": (b"format: 1\ntitle: *x\n", 2, "not valid YAML"),
    "control characters": (b"format: 1\ntitle: a\x07b\n", None, "not valid YAML"),
    "CSV": (b"x_mm,y_mm,d_mm\n1,2,3\n", 1, "a single text found"),
    "JSON list": (b"[1, 2]", 1, "a list found"),
    "too deep": (b"[" * 1000, None, "nested too deeply"),
    "too long": (b"# " + b"x" * 200_000, None, "under 200 kB"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_file_is_one_line(name: str, tmp_path: Path) -> None:
    contents, line, part = BROKEN[name]
    file = tmp_path / "case.yaml"
    file.write_bytes(contents)
    with pytest.raises(InputError) as caught:
        load_case(file)
    message = str(caught.value)
    assert message.startswith(f"{file}:{line}: " if line else str(file))
    assert part in message
    assert "\n" not in message


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file or folder"):
        load_case(tmp_path / "none.yaml")


def test_folder_without_case(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"folder without case\.yaml"):
        load_case(tmp_path)


def test_recursive_alias_ends(write: Write) -> None:
    with pytest.raises(InputErrors, match="anchor or alias 'x'"):
        load_case(write(SOUND.replace("strategies: [centre-first, crown-first]",
                                      "strategies: &x [*x]")))


def test_aliases_upon_aliases_do_not_grow(write: Write) -> None:
    rows = ["a0: &a0 [x, x]"]
    rows += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 30)]
    with pytest.raises(InputErrors, match="write the value out"):
        load_case(write("\n".join(rows) + "\n"))


def test_merge_keys_are_refused(write: Write) -> None:
    with pytest.raises(InputErrors, match="key '<<' found"):
        load_case(write(SOUND.replace("  fine_mm: 4", "  <<: {fine_mm: 4}")))


def test_byte_order_mark_is_taken(tmp_path: Path) -> None:
    file = tmp_path / "case.yaml"
    file.write_text(SOUND, encoding="utf-8-sig")
    assert load_case(file).format == 1
