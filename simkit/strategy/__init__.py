"""Strategies: from the panel as it stands to the next operation."""

from __future__ import annotations

from simkit.strategy.builtin import BUILTIN, find_strategy
from simkit.strategy.choice import Strategy

__all__ = ["BUILTIN", "Strategy", "find_strategy"]
