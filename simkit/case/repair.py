"""Case-file blocks `kit`, `limits`, `goal`, `times`: tools, what they may do, what is flat."""

from __future__ import annotations

from typing import Literal

from simkit.case.base import Part, choice, items, number, text
from simkit.case.files import CatalogueFile, CodeFile, TableFile
from simkit.case.rigs import OwnBeam, OwnHammer, OwnSpreader, OwnWedge
from simkit.case.tools import GlueChoice, OwnLifter, Rod, TabChoice, TipChoice


class Kit(Part):
    """Tools at hand, the same for every strategy: catalogue names or own descriptions."""

    tabs: tuple[TabChoice, ...] = items("Glue tabs for pulling.", ("round-30",))
    tips: tuple[TipChoice, ...] = items("Tips for tapping down and pushing.", ("ball-12",))
    lifters: tuple[OwnLifter, ...] = items(
        "Lifters for pulls that stand on the panel.", (), 0)
    beams: tuple[OwnBeam, ...] = items(
        "Beams that draw several tabs at once by one screw.", (), 0)
    spreaders: tuple[OwnSpreader, ...] = items(
        "Screws that draw two tabs apart along the sheet.", (), 0)
    hammers: tuple[OwnHammer, ...] = items(
        "Hammers for taps and pushes, slide hammers for pulls.", (), 0)
    wedges: tuple[OwnWedge, ...] = items(
        "Wedges driven between the panel and what stands behind it.", (), 0)
    rods: tuple[Rod, ...] = items(
        "Rods that carry the tips through the openings of panel.behind.", (), 0)
    glue: GlueChoice = choice("Glue between tab and panel.", "standard-hot-melt")
    panel_temperature_C: float = number(
        "Temperature of the panel while it is pulled: the glue's strength follows its table.",
        -20.0, 100.0, 20.0)
    glue_age_min: float | None = number(
        "Time a tab is left before it is pulled; absent: until the glue has set.",
        0.1, 1440.0, None)
    catalogues: tuple[CatalogueFile, ...] = items(
        "YAML files of own tabs, tips and glues, to be named beside the built-in ones; their names "
        "count from this case file's folder.", (), 0)


class Limits(Part):
    """What one operation may not exceed."""

    steps: int = number("Largest number of operations in a repair.", 1, 500, 30)
    minutes: float | None = number(
        "Minutes of work for the whole repair; no step begins after them. Absent: no limit.",
        1.0, 100000.0, None)
    pull_force_N: float = number("Largest pull.", 10.0, 20000.0, 2500.0)
    push_force_N: float = number("Largest push or tap-down force.", 10.0, 20000.0, 1500.0)
    hand_force_N: float = number(
        "Largest force of a hand on a rod's end. Common practice, no source.", 10.0, 2000.0, 250.0)
    travel_mm: float = number("Largest travel of a tool in one operation.", 0.5, 100.0, 25.0)
    paint_strain: float = number(
        "Largest strain of the outer face that the paint is trusted to bear (no unit). "
        "Low confidence, no source: set it from your own paint.", 0.001, 0.5, 0.05)


class Stage(Part):
    """Limits of one stage of a repair."""

    height_mm: float = number("No spot may be lower or higher than this.", 0.005, 20.0)
    slope_mrad: float | None = number(
        "No slope deviation may exceed this; absent: any slope.", 0.1, 500.0, None)


class Stages(Part):
    """Limits of the stages before the last. The defaults are common practice, no source."""

    bulk: Stage = choice("Bulk out: the mass of the dent is gone.", Stage(height_mm=1.0))
    roughed: Stage = choice("Roughed: ready for fine work.", Stage(height_mm=0.3, slope_mrad=8.0))
    fine: Stage = choice("Fine: hard to see.", Stage(height_mm=0.1, slope_mrad=4.0))


STAGE_NAMES = ("bulk", "roughed", "fine", "finished")
"""Stages of a repair, the coarsest first."""


class Goal(Part):
    """When the panel counts as flat. The defaults are common practice, no source."""

    stage: Literal["bulk", "roughed", "fine", "finished"] = choice(
        "Stage at which the panel counts as flat and the repair ends.", "finished")
    tolerance_mm: float = number("Finished: no spot may be lower or higher than this.", 0.005, 2.0,
                                 0.1)
    slope_mrad: float = number("Finished: no slope deviation may exceed this.", 0.1, 50.0, 2.0)
    slope_base_mm: float = number("Length over which the slope is taken.", 1.0, 200.0, 20.0)
    stages: Stages = choice(
        "Limits of the earlier stages; one stricter than the finished panel counts as that.",
        Stages())

    def limits_of(self, stage: str) -> tuple[float, float]:
        """Largest height, mm, and slope deviation, mrad (inf: any), of a stage; never stricter
        than those of the finished panel."""
        if stage == "finished":
            return self.tolerance_mm, self.slope_mrad
        part: Stage = getattr(self.stages, stage)
        slope = float("inf") if part.slope_mrad is None else part.slope_mrad
        return max(part.height_mm, self.tolerance_mm), max(slope, self.slope_mrad)

    @property
    def limits(self) -> tuple[float, float]:
        """Largest height, mm, and slope deviation, mrad, of the stage that is the goal."""
        return self.limits_of(self.stage)


class OwnStrategy(Part):
    """A strategy of one's own: a Python class with `name` and `next(session)`. Its code runs when
    the strategy does: name only files whose content you know."""

    name: str = text("Name under which it is compared.")
    file: CodeFile = choice("Python file in the case's folder or below it.")
    class_name: str = text("Name of the class in it; made without arguments.")


class Planner(Part):
    """What the strategy `planner` looks for."""

    objective: Literal["steps", "minutes", "stretch"] = choice(
        "Fewest steps, fewest minutes, or least stretch of the sheet.", "steps")


class Hand(Part):
    """How exactly a hand does what was planned: standard errors, drawn anew for each step from the
    case's seed. The defaults are an exact hand."""

    place_mm: float = number("Error of the tool's place, along x and along y.", 0.0, 20.0, 0.0)
    height_pct: float = number(
        "Error of the way to the height aimed at, in per cent of that way.", 0.0, 50.0, 0.0)
    height_mm: float = number("Error of the height reached, besides.", 0.0, 1.0, 0.0)

    @property
    def exact(self) -> bool:
        """Whether it has no error."""
        return self.place_mm == self.height_pct == self.height_mm == 0.0


class Times(Part):
    """Minutes of work; what is absent is that of simkit's table (common practice, no source)."""

    file: TableFile | None = choice(
        "Table of minutes (YAML), from the case's folder; the keys below come before it.", None)
    pull_min: float | None = number("One pull.", 0.01, 600.0, None)
    tap_down_min: float | None = number("One tap-down.", 0.01, 600.0, None)
    push_min: float | None = number("One push.", 0.01, 600.0, None)
    hold_min: float | None = number("One hold, until the force stands.", 0.01, 600.0, None)
    let_down_min: float | None = number("Letting it down, cleaning.", 0.01, 600.0, None)
    further_touch_min: float | None = number(
        "Each further touch of a pass of pushes or taps that counts as one step.", 0.01, 600.0,
        None)
    further_tab_min: float | None = number(
        "Each further tab of a beam or spreader.", 0.01, 600.0, None)
    tool_change_min: float | None = number("Another tool in hand.", 0.01, 600.0, None)
    set_up_min: float | None = number("Once, with the first step.", 0.01, 6000.0, None)
    access_min: float | None = number("Once, with the first push from behind.", 0.01, 6000.0, None)
