"""The one internal unit system (N, mm, MPa, s) and the units written at the end of a name.

A name that carries a number across a border ends in its unit: `thickness_mm`, `pull_force_N`,
`stiffness_N_per_mm3`. Inside, everything is N, mm, MPa and s; angles are radians.
"""

from __future__ import annotations

import math

RAD_PER_DEG = math.pi / 180.0
"""Radians in one degree; for the keys that end in `_deg`."""

RAD_PER_MRAD = 1.0e-3
"""Radians in one milliradian; for the keys that end in `_mrad`."""

UNIT_OF_SUFFIX = {
    "_N_per_mm3": "N/mm^3",
    "_N_per_mm2": "N/mm^2",
    "_N_per_mm": "N/mm",
    "_mm2": "mm^2",
    "_mm": "mm",
    "_N": "N",
    "_MPa": "MPa",
    "_GPa": "GPa",
    "_J": "J",
    "_mrad": "mrad",
    "_deg": "deg",
    "_pct": "%",
    "_s": "s",
    "_min": "min",
    "_C": "degree C",
    "_g": "g",
}
"""Ending of a name -> its unit as printed; longest endings first."""


def unit_of_key(key: str) -> str:
    """Unit printed for a key such as `thickness_mm`; empty when the name carries none."""
    for suffix, unit in UNIT_OF_SUFFIX.items():
        if key.endswith(suffix):
            return unit
    return ""


def label_of_key(key: str) -> str:
    """Words with the unit for an axis or a table head: `pull_force_N` -> 'pull force (N)'."""
    for suffix, unit in UNIT_OF_SUFFIX.items():
        if key.endswith(suffix):
            return f"{key.removesuffix(suffix).replace('_', ' ')} ({unit})"
    return key.replace("_", " ")
