"""Minutes an operation takes, from a table that a shop can replace by its own."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from simkit.errors import InputError, one_of

EXTRAS = ("further_touch", "further_tab", "tool_change", "set_up", "access")
"""Rows of the table of minutes that are no operation."""


def load_times(path: str | Path | None = None) -> dict[str, float]:
    """Minutes by operation (pull, tap_down, push, hold, let_down) and for everything of `EXTRAS`.

    Parameters
    ----------
    path : the user's own copy of the table (YAML with `minutes`); None for the one that comes
        with simkit. Operations it leaves out keep the minutes that come with simkit.

    Raises
    ------
    InputError : no such file, an unknown operation, or minutes that are not positive numbers.
    """
    usual = {key: float(value) for key, value in _usual()["minutes"].items()}
    if path is None:
        return usual
    where = str(path)
    try:
        data = YAML(typ="safe", pure=True).load(Path(path).read_text("utf-8"))
    except (OSError, UnicodeDecodeError, YAMLError) as trouble:
        raise InputError("cannot read the table of minutes: " + str(trouble).splitlines()[0],
                         "a YAML file with 'minutes'", where) from trouble
    own = data.get("minutes") if isinstance(data, dict) else None
    if not isinstance(own, dict):
        raise InputError("no 'minutes' in the table", "operation: minutes, one a line", where)
    for key, value in own.items():
        if key not in usual:
            raise InputError(f"unknown operation '{key}'", one_of(str(key), usual), where,
                             key=str(key))
        # bool is a subclass of int in Python.
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not 0.0 < value < math.inf:
            raise InputError(f"{value!r} minutes", "a positive number", where, key=str(key))
    return usual | {key: float(value) for key, value in own.items()}


def operation_minutes(operation: str, tool_change: bool = False,
                      times: Mapping[str, float] | None = None, touches: int = 1,
                      tabs: int = 1) -> float:
    """Minutes of one operation, with a change of tool before it if there is one.

    `times` as from `load_times`; None for the table that comes with simkit. `touches`: of a pass
    of pushes or taps that counts as one step; `tabs`: of a rig.
    """
    table = load_times() if times is None else times
    known = [name for name in table if name not in EXTRAS]
    if operation not in known:
        raise InputError(f"unknown operation '{operation}'", one_of(operation, known))
    more = (touches - 1) * table["further_touch"]
    more += (tabs - 1) * table["further_tab"] if tabs > 1 else 0.0
    return table[operation] + more + (table["tool_change"] if tool_change else 0.0)


@cache
def _usual() -> dict[str, Any]:
    text = resources.files("simkit.tool").joinpath("times.yaml").read_text("utf-8")
    data: dict[str, Any] = YAML(typ="safe", pure=True).load(text)
    return data
