"""Descriptions of tabs, tips and glues, the same in a case file and in a catalogue of tools."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Tag

from simkit.case.base import Part, by_kind, choice, items, name_or_own, number, text

NAME = "Name used in tables."


class _OwnTab(Part):
    """What all own tabs have in common."""

    name: str = text(NAME)
    kind: str = choice("Footprint.")


class _PlateTab(_OwnTab):
    """What all own tabs that may bend have in common."""

    thickness_mm: float | None = number(
        "Thickness of the plate, which bends; absent: rigid. Goes with modulus_MPa.",
        0.3, 30.0, None)
    modulus_MPa: float | None = number(
        "Young's modulus of the plate. Goes with thickness_mm.", 1.0, 2.5e5, None)
    stem_mm: float | None = number(
        "Diameter of the stem, which keeps the plate's middle flat; absent: 0.3 of the width.",
        0.5, 100.0, None)


class RoundTab(_PlateTab):
    """Round glue tab."""

    kind: Literal["round"] = choice("Footprint: a disc.", "round")
    diameter_mm: float = number("Diameter of the glued face.", 3.0, 150.0)


class OvalTab(_PlateTab):
    """Oval glue tab."""

    kind: Literal["oval"] = choice("Footprint: an ellipse.")
    length_mm: float = number("Long axis of the glued face.", 3.0, 400.0)
    width_mm: float = number("Short axis of the glued face.", 3.0, 150.0)


class StripTab(_PlateTab):
    """Strip-shaped glue tab with square corners."""

    kind: Literal["strip"] = choice("Footprint: a rectangle.")
    length_mm: float = number("Length of the glued face.", 3.0, 400.0)
    width_mm: float = number("Width of the glued face.", 3.0, 150.0)


class RoundedTab(_PlateTab):
    """Rectangular glue tab with round corners."""

    kind: Literal["rounded-rectangle"] = choice("Footprint: a rectangle with round corners.")
    length_mm: float = number("Length of the glued face.", 3.0, 400.0)
    width_mm: float = number("Width of the glued face.", 3.0, 150.0)
    corner_mm: float = number("Radius of the corners, at most half the width.", 0.1, 75.0)


class BladeTab(_OwnTab):
    """Crease tab: a narrow blade glued on edge along a crease; it does not bend."""

    kind: Literal["blade"] = choice("Footprint: a narrow rectangle with round ends.")
    length_mm: float = number("Length of the glued edge, round ends included.", 3.0, 400.0)
    width_mm: float = number("Width of the glued edge.", 1.0, 20.0)


def tab_form(value: Any) -> str:
    """Tag of an own tab: its kind, round where none is given."""
    return _form(value, "round")


OwnTab = Annotated[
    Annotated[RoundTab, Tag("<round>")]
    | Annotated[OvalTab, Tag("<oval>")]
    | Annotated[StripTab, Tag("<strip>")]
    | Annotated[RoundedTab, Tag("<rounded-rectangle>")]
    | Annotated[BladeTab, Tag("<blade>")],
    Discriminator(tab_form),
]


class _OwnTip(Part):
    """What all own tips have in common."""

    name: str = text(NAME)
    kind: str = choice("Form.")
    facing_mm: float | None = number(
        "Thickness of a soft facing (rubber, plastic); absent: hard. Goes with facing_MPa.",
        0.2, 50.0, None)
    facing_MPa: float | None = number(
        "Young's modulus of the facing: about 2 to 10 rubber, 100 to 3000 plastics (rough figures; "
        "common practice, no source).", 0.1, 1e4, None)


class BallTip(_OwnTip):
    """Ball-shaped push or tap-down tip."""

    kind: Literal["ball"] = choice("Form: a ball.", "ball")
    radius_mm: float = number("Radius of the ball.", 1.0, 100.0)


class BarTip(_OwnTip):
    """Bar lying on the sheet: a cylinder with half balls as ends."""

    kind: Literal["rounded-cylinder"] = choice("Form: a lying bar with round ends.")
    radius_mm: float = number("Radius of the bar.", 1.0, 100.0)
    length_mm: float = number("Length over all.", 2.5, 400.0)


class BladeTip(_OwnTip):
    """Straight rounded edge."""

    kind: Literal["blade"] = choice("Form: a straight edge.")
    edge_radius_mm: float = number("Rounding of the edge.", 0.5, 20.0)
    length_mm: float = number("Length over all.", 2.0, 400.0)


class FlatTip(_OwnTip):
    """Flat round face with a rounded rim."""

    kind: Literal["flat-nose"] = choice("Form: a flat round face.")
    radius_mm: float = number("Outer radius of the face.", 1.0, 100.0)
    nose_mm: float = number("Rounding of the rim.", 0.2, 50.0)


class BlockTip(_OwnTip):
    """Flat rectangular face with rounded edges."""

    kind: Literal["block"] = choice("Form: a flat rectangular face.")
    length_mm: float = number("Length over all.", 1.0, 400.0)
    width_mm: float = number("Width over all.", 1.0, 400.0)
    nose_mm: float = number("Rounding of the edges.", 0.2, 50.0)


class OwnLifter(Part):
    """Small lifter that stands with its feet on the panel and draws a tab up."""

    name: str = text(NAME)
    span_mm: float = number("Distance of the feet along its beam, the tab in the middle.",
                            20.0, 1000.0)
    width_mm: float = number("Distance of two feet at each end; 0: one foot each.", 0.0, 500.0,
                             0.0)
    pad_mm: float = number("Diameter of a foot's pad.", 3.0, 100.0, 20.0)
    pad_N_per_mm: float = number("Stiffness of a foot's pad. Estimate, no source.", 10.0, 1e6,
                                 2000.0)


class Rod(Part):
    """Rod with a push tip at its end, levered off the rim of an opening."""

    name: str = text(NAME)
    length_mm: float = number("Length of the straight part.", 50.0, 3000.0)
    thickness_mm: float = number("Diameter.", 2.0, 40.0)
    hook_mm: float = number(
        "Length of the bent end, at a right angle towards the panel; 0: straight.", 0.0, 300.0,
        0.0)
    grip_mm: float = number("Least length that stays outside for the hand.", 20.0, 1000.0, 120.0)
    bears_MPa: float = number(
        "Bending stress it bears. Common practice, no source.", 50.0, 3000.0, 600.0)


def tip_form(value: Any) -> str:
    """Tag of an own tip: its kind, a ball where none is given."""
    return _form(value, "ball")


OwnTip = Annotated[
    Annotated[BallTip, Tag("<ball>")]
    | Annotated[BarTip, Tag("<rounded-cylinder>")]
    | Annotated[BladeTip, Tag("<blade>")]
    | Annotated[FlatTip, Tag("<flat-nose>")]
    | Annotated[BlockTip, Tag("<block>")],
    Discriminator(tip_form),
]


def _form(value: Any, usual: str) -> str:
    kind = value.get("kind", usual) if isinstance(value, dict) else getattr(value, "kind", usual)
    return f"<{kind}>"


class AtTemperature(Part):
    """Share of a glue's strength at a panel temperature."""

    temperature_C: float = number("Temperature of the panel.", -40.0, 150.0)
    share_pct: float = number("Strength and energy over the full ones.", 0.0, 200.0)


class AtAge(Part):
    """Share of a glue's strength some time after it was set on."""

    age_min: float = number("Time since the tab was set on.", 0.0, 10000.0)
    share_pct: float = number("Strength and energy over the full ones.", 0.0, 200.0)


class PullReading(Part):
    """Straight pull of a small stiff round tab off a thick plate, by a spring scale."""

    kind: Literal["pull"] = choice("What was pulled.")
    diameter_mm: float = number("Diameter of the tab, 8 to 12 mm is best.", 3.0, 30.0)
    force_N: float = number("Largest reading.", 1.0, 5000.0)


class PeelReading(Part):
    """A glued strip of sheet or strong tape peeled off a thick plate at a right angle."""

    kind: Literal["peel"] = choice("What was pulled.")
    width_mm: float = number("Width of the strip.", 3.0, 100.0)
    force_N: float = number("Steady reading while it peels.", 0.1, 2000.0)


class ShearReading(Part):
    """Sideways pull of a small stiff round tab along a thick plate."""

    kind: Literal["shear"] = choice("What was pulled.")
    diameter_mm: float = number("Diameter of the tab, 8 to 12 mm is best.", 3.0, 30.0)
    force_N: float = number("Largest reading.", 1.0, 5000.0)


Reading = Annotated[
    Annotated[PullReading, Tag("<pull>")]
    | Annotated[PeelReading, Tag("<peel>")]
    | Annotated[ShearReading, Tag("<shear>")],
    Discriminator(by_kind),
]


class OwnGlue(Part):
    """Glue described in the case file. Numbers left out are those of standard-hot-melt.

    It needs tension_MPa or readings with a pull; docs/glue.md tells how to measure.
    """

    name: str = text(NAME)
    tension_MPa: float | None = number(
        "Strength in tension: pull over area of a small stiff tab.", 0.02, 100.0, None)
    shear_MPa: float | None = number("Strength in shear.", 0.02, 100.0, None)
    tension_energy_N_per_mm: float | None = number(
        "Fracture energy in tension and peel (1 N/mm = 1 kJ/m^2); absent: the standard's "
        "proportion to the strength.", 0.001, 1000.0, None)
    shear_energy_N_per_mm: float | None = number(
        "Fracture energy in shear; absent: the standard's proportion to the strength.",
        0.001, 1000.0, None)
    modulus_MPa: float | None = number("Young's modulus of the set glue.", 0.1, 5000.0, None)
    layer_mm: float | None = number(
        "Thickness of the layer where it is thinnest; elsewhere it fills the gap.",
        0.02, 10.0, None)
    by_temperature: tuple[AtTemperature, ...] | None = items(
        "Shares of the strength, by rising temperature.", None, 2)
    by_age: tuple[AtAge, ...] | None = items("Shares reached, by rising age.", None, 2)
    readings: tuple[Reading, ...] | None = items(
        "Own measurements instead of strengths: means are taken by kind.", None)


Name = Annotated[str, Tag("<name>")]
TabChoice = Annotated[Name | Annotated[OwnTab, Tag("<own>")], Discriminator(name_or_own)]
TipChoice = Annotated[Name | Annotated[OwnTip, Tag("<own>")], Discriminator(name_or_own)]
GlueChoice = Annotated[Name | Annotated[OwnGlue, Tag("<own>")], Discriminator(name_or_own)]
