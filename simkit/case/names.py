"""Built-in names that a case file may use, and lists of names from other rooms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

STRATEGY_NAMES: tuple[str, ...] = (
    "centre-first", "crown-first", "worst-spot-first", "alternating", "rim-inwards",
    "bulk-then-fine", "crown-under-tension", "light-passes", "planner")
"""Strategies that come with simkit."""


@dataclass(frozen=True)
class KnownNames:
    """Names that exist, against which a case file is checked; None means: not checked here.

    The case layer lies below the sheet, tool and strategy layers and cannot ask them itself.
    """

    strategies: Sequence[str] | None = STRATEGY_NAMES
    grades: Sequence[str] | None = None
    tabs: Sequence[str] | None = None
    tips: Sequence[str] | None = None
    glues: Sequence[str] | None = None
