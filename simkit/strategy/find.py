"""Strategies by name."""

from __future__ import annotations

from simkit.errors import InputError, nearest
from simkit.strategy.builtin import BUILTIN
from simkit.strategy.choice import Strategy


def find_strategy(name: str) -> Strategy:
    """Strategy by name.

    Raises
    ------
    InputError : unknown name, with the near one.
    """
    for strategy in BUILTIN:
        if strategy.name == name:
            return strategy
    names = [strategy.name for strategy in BUILTIN]
    near = nearest(name, names)
    raise InputError(f"no strategy '{name}'",
                     f"did you mean '{near}'?" if near else "one of " + ", ".join(names),
                     key="strategy")
