"""Strategies by name: built-in ones, and the user's own from files named in the case."""

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
    "worst-spot-first", "light-passes", "bulk-then-fine"))
"""Fixed strategies with which a planner compares its own course: the usual one, the one with passes
and the one with wide tools first. A strategy with holds would take ten steps before a comparison is
possible."""


def strategy_names(case: Case | None = None) -> list[str]:
    """Names of all strategies, those of the case's own files last."""
    own = [] if case is None else [strategy.name for strategy in case.own_strategies]
    return [*(strategy.name for strategy in BUILTIN), PLANNER, *own]


def find_strategy(name: str, case: Case | None = None) -> Strategy:
    """Strategy by name; a planner is new each time, because it learns during one repair.

    Raises
    ------
    InputError : an unknown name (with a suggestion); a strategy file that cannot be used.
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
    """A strategy from a Python file in the case's folder; its code runs in this process."""
    own = case.own_strategies[index]
    key, where = f"own_strategies[{index}]", str(own.file)
    # resolve() follows links, so that a link cannot lead out of the folder.
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
    """A user's strategy under the name given in the case."""

    def __init__(self, name: str, inner: Strategy) -> None:
        self.name = name
        self.next = inner.next
