"""Every key of the case file changes an answer or is refused, so that none is documented in vain.

every_key.yaml has one probe a key; answers.py computes what must differ. A key without a probe
fails here, and so does a probe of a key that is no more.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from answers import ANSWERS, case_of, joined, told, write_files
from ruamel.yaml import YAML

from simkit.case.entries import entries
from simkit.errors import InputError, InputErrors

TABLE: dict[str, Any] = YAML(typ="safe", pure=True).load(
    Path(__file__).with_name("every_key.yaml").read_text("utf-8"))


def leaves() -> set[str]:
    """Every key that holds a value, as the models name it."""
    places = {entry.loc for entry in entries().values()}
    inner = {loc[:end] for loc in places for end in range(1, len(loc))}
    return {".".join(loc) for loc in places if loc not in inner}


def probes() -> Iterator[tuple[str, str, str, Any]]:
    """Key, base, answer, and what is set."""
    for block in TABLE["probes"]:
        for key, probe in block["keys"].items():
            yield key, block["base"], block["answer"], probe


def in_file(key: str) -> str:
    """A key as it is set: without tags, the first item of a list. The readings of a glue and the
    beds have their item by their order in the base."""
    item = {"<peel>": "[1]", "<shear>": "[2]"}.get(
        re.findall(r"<\w+>", key)[-1] if "readings" in key else "", "[0]")
    return re.sub(r"\.<[\w-]+>", "", key).replace(".[]", item)


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("every-key")
    write_files(folder)
    return folder


@cache
def answer_of(base: str, answer: str, given: str, here: Path) -> str:
    """The answer of a base with keys set (``given``: as YAML)."""
    changes = YAML(typ="safe", pure=True).load(given) or {}
    return told(ANSWERS[answer](case_of(TABLE["bases"][base], here, changes)))


def test_every_key_has_one_probe() -> None:
    tried = [key for key, *_ in probes()] + [
        key for keys in TABLE["refused"].values() for key in keys]
    assert len(tried) == len(set(tried))
    assert set(tried) == leaves()
    assert len(tried) > 300


def test_a_key_without_a_probe_is_seen() -> None:
    key = "panel.thickness_mm"
    assert key in leaves()
    assert leaves() - {other for other, *_ in probes() if other != key} >= {key}


@pytest.mark.parametrize(("key", "base", "answer", "probe"), list(probes()),
                         ids=[key for key, *_ in probes()])
def test_a_key_changes_the_answer(key: str, base: str, answer: str, probe: Any,
                                  here: Path) -> None:
    more = probe if isinstance(probe, dict) else {"value": probe}
    beside = more.get("with", {})
    changes = joined(beside, more["set"] if "set" in more else {in_file(key): more["value"]})
    base = more.get("from", base)
    without = answer_of(base, answer, repr(beside), here)
    if more.get("refused"):
        with pytest.raises((InputError, InputErrors)):
            answer_of(base, answer, repr(changes), here)
    else:
        assert answer_of(base, answer, repr(changes), here) != without


@pytest.mark.parametrize(("key", "base", "value"), [
    (key, base, value) for base, keys in TABLE["refused"].items() for key, value in keys.items()])
def test_a_value_that_is_no_choice_is_refused(key: str, base: str, value: Any,
                                              here: Path) -> None:
    case_of(TABLE["bases"][base], here, {})
    with pytest.raises((InputError, InputErrors)):
        case_of(TABLE["bases"][base], here, {in_file(key): value})
