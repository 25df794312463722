"""Strategies: from the present state of the panel to the next operation."""

from __future__ import annotations

from simkit.strategy.builtin import BUILTIN
from simkit.strategy.choice import Strategy
from simkit.strategy.find import find_strategy, strategy_names

__all__ = ["BUILTIN", "Strategy", "find_strategy", "strategy_names"]
