"""The case file: its models, reading it, and naming every fault with file, line and key."""

from __future__ import annotations

from simkit.case.load import load_case, make_case, resolved, save_case
from simkit.case.model import Case
from simkit.case.names import STRATEGY_NAMES

__all__ = ["STRATEGY_NAMES", "Case", "load_case", "make_case", "resolved",
           "save_case"]
