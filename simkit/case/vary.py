"""The same case with some keys changed: what `--set KEY=VALUE` and studies do."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from simkit.case.load import frozen, given, make_case
from simkit.case.model import Case
from simkit.errors import InputError

WORD = r"[A-Za-z_][A-Za-z0-9_]*(?:\[\d{1,4}\])*"
KEY = re.compile(rf"{WORD}(?:\.{WORD})*")
PART = re.compile(r"([A-Za-z_][A-Za-z0-9_]*)|\[(\d+)\]")
LONGEST = 4000


def with_keys(case: Case, changes: Mapping[str, Any]) -> Case:
    """The case with keys set; every check of the case file runs again.

    Parameters
    ----------
    changes : dotted key, such as `panel.thickness_mm` or `kit.tabs[0]`, to its value in the key's
        own unit.

    Raises
    ------
    InputError : a key that cannot be followed.
    InputErrors : the changed case has faults.
    """
    data = given(case)
    for key, value in changes.items():
        _set(data, key, value)
    return make_case(data, case.folder, name=str(case.file)).opened_from(case.file)


def parse_setting(text: str) -> tuple[str, Any]:
    """Key and value of `KEY=VALUE`; the value is read as YAML: a number, a word, a list.

    Raises
    ------
    InputError : no `=`, or a value that is no plain YAML.
    """
    key, sign, value = text.partition("=")
    if not sign or not key.strip() or len(text) > LONGEST:
        raise InputError(f"--set {text[:60]!r}", "KEY=VALUE, such as panel.thickness_mm=0.8")
    try:
        found = YAML(typ="safe", pure=True).load(value)
    except (YAMLError, ValueError, RecursionError, OverflowError):
        raise InputError(f"--set {text[:60]!r}: the value cannot be read",
                         "a number, a word, or a list such as [round-20, round-30]") from None
    return key.strip(), found


def _set(data: dict[str, Any], key: str, value: Any) -> None:
    path = _path(key)
    block: Any = data
    for here, part in enumerate(path):
        last = here == len(path) - 1
        if isinstance(part, int):
            if not isinstance(block, list | tuple) or part >= len(block):
                raise InputError(f"'{key}' cannot be set", f"no entry [{part}] there", key=key)
        elif not isinstance(block, dict):
            raise InputError(f"'{key}' cannot be set", f"'{part}' has no block to stand in",
                             key=key)
        elif not last and part not in block:
            block[part] = {}
        if last:
            block[part] = frozen(value)
        else:
            if isinstance(block[part], tuple):
                block[part] = list(block[part])
            block = block[part]


def _path(key: str) -> list[str | int]:
    if not KEY.fullmatch(key):
        raise InputError(f"'{key[:60]}' is no key",
                         "words with dots between, such as panel.thickness_mm or kit.tabs[0]")
    return [word or int(index) for word, index in PART.findall(key)]
