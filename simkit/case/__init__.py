"""The case file: its models, reading it, and naming every fault with file, line and key."""

from __future__ import annotations

from simkit.case.load import load_case, make_case, resolved, save_case
from simkit.case.model import Case
from simkit.case.names import STRATEGY_NAMES
from simkit.case.vary import parse_setting, parse_settings, set_words, with_keys, with_settings

__all__ = ["STRATEGY_NAMES", "Case", "load_case", "make_case", "parse_setting",
           "parse_settings", "resolved", "save_case", "set_words", "with_keys", "with_settings"]
