"""Case-file blocks `kit`, `limits` and `goal`: the tools, what they may do, what is flat."""

from __future__ import annotations

from simkit.case.base import Part, choice, items, number
from simkit.case.files import CatalogueFile
from simkit.case.tools import GlueChoice, TabChoice, TipChoice


class Kit(Part):
    """Tools at hand, the same for every strategy: catalogue names or own descriptions."""

    tabs: tuple[TabChoice, ...] = items("Glue tabs for pulling.", ("round-30",))
    tips: tuple[TipChoice, ...] = items("Tips for tapping down and pushing.", ("ball-12",))
    glue: GlueChoice = choice("Glue between tab and panel.", "standard-hot-melt")
    catalogues: tuple[CatalogueFile, ...] = items(
        "YAML files of own tabs, tips and glues, to be named beside the built-in ones; their names "
        "count from this case file's folder.", (), 0)


class Limits(Part):
    """What one operation may not exceed."""

    steps: int = number("Largest number of operations in a repair.", 1, 500, 30)
    pull_force_N: float = number("Largest pull.", 10.0, 20000.0, 2500.0)
    push_force_N: float = number("Largest push or tap-down force.", 10.0, 20000.0, 1500.0)
    travel_mm: float = number("Largest travel of a tool in one operation.", 0.5, 100.0, 25.0)
    paint_strain: float = number(
        "Largest strain of the outer face that the paint is trusted to bear (no unit). "
        "Low confidence, no source: set it from your own paint.", 0.001, 0.5, 0.05)


class Goal(Part):
    """When the panel counts as flat. The defaults are common practice, no source."""

    tolerance_mm: float = number("No spot may be lower or higher than this.", 0.005, 2.0, 0.1)
    slope_mrad: float = number("No slope deviation may exceed this.", 0.1, 50.0, 2.0)
    slope_base_mm: float = number("Length over which the slope is taken.", 1.0, 200.0, 20.0)
