"""simkit: elastoplastic shell simulation of dent removal without filler or paint.

The names of :mod:`simkit.api` are loaded when they are first used, so that `import simkit` and
`simkit --version` stay quick.
"""

from __future__ import annotations

import importlib
from typing import Any

from simkit import aside

__version__ = "0.1.0"

aside.install()
NAMES = frozenset({
    "Case", "Ensemble", "InputError", "InputErrors", "Operation", "Reconstruction", "RunRecord",
    "Session", "Spot", "State", "Strategy", "Workpiece", "draw_comparison", "draw_run",
    "find_strategy", "load_case", "make_case", "open_histories", "open_session", "open_workpiece",
    "read_comparison", "read_run", "reconstruct", "run_repair", "save_case",
})
"""Names taken from simkit.api."""


def __getattr__(name: str) -> Any:
    if name in NAMES:
        return getattr(importlib.import_module("simkit.api"), name)
    raise AttributeError(f"module 'simkit' has no attribute '{name}'; it offers "
                         + ", ".join(sorted(NAMES)))


def __dir__() -> list[str]:
    return sorted({*globals(), *NAMES})
