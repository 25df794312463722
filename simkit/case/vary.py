"""The same case with some keys changed, for `--set KEY=VALUE` and studies."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from simkit.case.load import frozen, given, make_case
from simkit.case.model import Case
from simkit.errors import InputError, InputErrors

WORD = r"[A-Za-z_][A-Za-z0-9_]*(?:\[\d{1,4}\])*"
KEY = re.compile(rf"{WORD}(?:\.{WORD})*")
PART = re.compile(r"([A-Za-z_][A-Za-z0-9_]*)|\[(\d+)\]")
LONGEST_TEXT_CHARACTERS = 4000


def with_keys(case: Case, changes: Mapping[str, Any],
              grades: Sequence[str] | None = None) -> Case:
    """The case with keys set; every check of the case file runs again.

    Parameters
    ----------
    changes : dotted key, such as `panel.thickness_mm` or `kit.tabs[0]`, to its value in the key's
        own unit.
    grades : names that exist; None leaves them unchecked.

    Raises
    ------
    InputError : a key that cannot be followed.
    InputErrors : the changed case has faults.
    """
    data = given(case)
    for key, value in changes.items():
        _set(data, key, value)
    changed = make_case(data, case.folder, grades=grades, name=str(case.file))
    return changed.opened_from(case.file)


def with_settings(case: Case, settings: Mapping[str, Any],
                  grades: Sequence[str] | None = None) -> Case:
    """As `with_keys`, for keys set on the command line.

    The case keeps a list of these keys, and a fault of such a value is reported for `--set`, not
    for a line of the file.

    Raises
    ------
    InputError, InputErrors : as `with_keys`.
    """
    try:
        return with_keys(case, settings, grades).noting(settings)
    except InputError as error:
        raise replace(error, file="--set") from None
    except InputErrors as errors:
        raise InputErrors(set_here(error, settings) for error in errors.errors) from None


def set_here(error: InputError, settings: Mapping[str, Any]) -> InputError:
    """The error, with `--set` as its file if its key was set there."""
    key = error.key or ""
    if any(key == name or key.startswith((f"{name}.", f"{name}[")) or name.startswith(f"{key}.")
           or name.endswith(f".{key}")
           for name in settings if key):
        return replace(error, file="--set", line=None)
    return error


def set_words(case: Case) -> str:
    """Keys that were set beside the case file, in one line."""
    return ", ".join(f"{key} = {value}" for key, value in case.settings.items())


def parse_settings(texts: Iterable[str]) -> dict[str, Any]:
    """Keys and values of several `KEY=VALUE`.

    Raises
    ------
    InputError : as `parse_setting`; a key that is set twice.
    """
    found: dict[str, Any] = {}
    for text in texts:
        key, value = parse_setting(text)
        if key in found:
            raise InputError(f"--set gives '{key}' twice", "each key once")
        found[key] = value
    return found


def parse_setting(text: str) -> tuple[str, Any]:
    """Key and value of `KEY=VALUE`; the value is read as YAML: a number, a word, a list.

    Raises
    ------
    InputError : no `=`, or a value that is no plain YAML.
    """
    key, sign, value = text.partition("=")
    if not sign or not key.strip() or len(text) > LONGEST_TEXT_CHARACTERS:
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
                count = len(block) if isinstance(block, list | tuple) else 0
                raise InputError(f"no entry [{part}] to set", f"{count} entries are given there, "
                                 "counted from 0; or set the whole list", key=key)
        elif not isinstance(block, dict):
            raise InputError("cannot be set", f"what stands above '{part}' is one value, not a "
                             "block of keys", key=key)
        elif not last and part not in block:
            block[part] = {}
        if last:
            block[part] = frozen(value)
        else:
            # Tuples of the models cannot be changed in place.
            if isinstance(block[part], tuple):
                block[part] = list(block[part])
            block = block[part]


def _path(key: str) -> list[str | int]:
    if not KEY.fullmatch(key):
        raise InputError(f"'{key[:60]}' is no key",
                         "words with dots between, such as panel.thickness_mm or kit.tabs[0]")
    return [word or int(index) for word, index in PART.findall(key)]
