"""Strategies by name: built in, or of one's own from a file that the case names."""

from __future__ import annotations

import importlib.util
from typing import Any

from simkit.case import Case
from simkit.errors import InputError, nearest
from simkit.strategy.builtin import BUILTIN
from simkit.strategy.choice import Strategy
from simkit.strategy.planner.planner import Planner

PLANNER = "planner"
FLOOR = tuple(one for one in BUILTIN if one.name in (
    "worst-spot-first", "light-passes"))
"""Fixed strategies whose courses a planner holds its own against: the usual one and
the one of passes. A repair that holds and taps takes ten steps before it tells anything."""


def strategy_names(case: Case | None = None) -> list[str]:
    """Names of all strategies there are, those of the case's own files last."""
    own = [] if case is None else [strategy.name for strategy in case.own_strategies]
    return [*(strategy.name for strategy in BUILTIN), PLANNER, *own]


def find_strategy(name: str, case: Case | None = None) -> Strategy:
    """Strategy by name; a planner is a new one each time, for it learns from one repair.

    Raises
    ------
    InputError : unknown name, with the near one; a file of one's own that cannot be used.
    """
    for strategy in BUILTIN:
        if strategy.name == name:
            return strategy
    if name == PLANNER:
        return Planner("steps" if case is None else case.planner.objective, floor=FLOOR)
    for index, own in enumerate(case.own_strategies if case is not None else ()):
        if own.name == name:
            assert case is not None
            return _own(case, index)
    names = strategy_names(case)
    near = nearest(name, names)
    raise InputError(f"no strategy '{name}'",
                     f"did you mean '{near}'?" if near else "one of " + ", ".join(names),
                     key="strategy")


def _own(case: Case, index: int) -> Strategy:
    """A strategy from a Python file beside the case; its code runs here and now."""
    own = case.own_strategies[index]
    key, where = f"own_strategies[{index}]", str(own.file)
    if own.file.suffix != ".py" or not own.file.resolve().is_relative_to(case.folder.resolve()):
        raise InputError(f"file {own.file.name}", "a .py file in the case's folder or below it",
                         where, key=key)
    spec = importlib.util.spec_from_file_location(f"own_strategy_{index}", own.file)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    try:
        spec.loader.exec_module(module)
        made: Any = getattr(module, own.class_name)()
    except AttributeError as error:
        raise InputError(f"no class '{own.class_name}'", "the name of a class in that file",
                         where, key=key) from error
    except Exception as error:
        raise InputError(f"cannot be used: {type(error).__name__}: {error}",
                         "a file that runs, with a class made without arguments", where,
                         key=key) from error
    if not callable(getattr(made, "next", None)):
        raise InputError(f"class '{own.class_name}' has no method 'next'",
                         "next(self, session) that returns an Operation or None", where, key=key)
    return _Named(own.name, made)


class _Named:
    """A strategy of one's own under the name that the case gives it."""

    def __init__(self, name: str, inner: Strategy) -> None:
        self.name = name
        self.next = inner.next
