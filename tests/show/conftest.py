"""Fixtures of the pictures' tests."""

from __future__ import annotations

from stored_run import comparison_folder, run_folder, short_run

__all__ = ["comparison_folder", "run_folder", "short_run"]
