"""Case-file blocks `kit`, `limits` and `goal`: the tools, what they may do, what is flat."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Discriminator, Tag

from simkit.case.base import Part, choice, items, name_or_own, number, text


class OwnTab(Part):
    """Glue tab described in the case file."""

    name: str = text("Name used in tables.")
    kind: Literal["round"] = choice("Footprint.", "round")
    diameter_mm: float = number("Diameter of the glued face.", 3.0, 150.0)
    thickness_mm: float | None = number(
        "From the glued face to the point of pull; absent: does not matter.", 0.5, 50.0, None)
    stiffness_N_per_mm: float | None = number(
        "Stiffness of the tab along the pull axis; absent: rigid.", 1.0, 1e6, None)


class OwnTip(Part):
    """Ball-shaped push or tap-down tip described in the case file."""

    name: str = text("Name used in tables.")
    radius_mm: float = number("Radius of the tip.", 1.0, 100.0)


class OwnGlue(Part):
    """Glue described in the case file, as a thin elastic layer that lets go."""

    name: str = text("Name used in tables.")
    tension_MPa: float = number("Mean tension over the tab at which it lets go.", 0.05, 20.0)
    shear_MPa: float = number("Mean shear over the tab at which it lets go.", 0.05, 20.0)
    peel_MPa: float | None = number(
        "Largest tension at the tab's edge at which it starts to let go; absent: twice the mean "
        "(an estimate).", 0.05, 50.0, None)
    normal_stiffness_N_per_mm3: float | None = number(
        "Tension per mm of opening; absent: that of standard-hot-melt.", 0.1, 1e5, None)
    shear_stiffness_N_per_mm3: float | None = number(
        "Shear per mm of slip; absent: that of standard-hot-melt.", 0.1, 1e5, None)


Name = Annotated[str, Tag("<name>")]
TabChoice = Annotated[Name | Annotated[OwnTab, Tag("<own>")], Discriminator(name_or_own)]
TipChoice = Annotated[Name | Annotated[OwnTip, Tag("<own>")], Discriminator(name_or_own)]
GlueChoice = Annotated[Name | Annotated[OwnGlue, Tag("<own>")], Discriminator(name_or_own)]


class Kit(Part):
    """Tools at hand, the same for every strategy: catalogue names or own descriptions."""

    tabs: tuple[TabChoice, ...] = items("Glue tabs for pulling.", ("round-30",))
    tips: tuple[TipChoice, ...] = items("Ball tips for tapping down and pushing.", ("ball-12",))
    glue: GlueChoice = choice("Glue between tab and panel.", "standard-hot-melt")


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
