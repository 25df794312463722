"""Descriptions of tabs, tips and glues, the same in a case file and in a catalogue of tools."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Tag

from simkit.case.base import Part, choice, name_or_own, number, text

NAME = "Name used in tables."


class _OwnTab(Part):
    """What all own tabs have in common."""

    name: str = text(NAME)
    kind: str = choice("Footprint.")


class RoundTab(_OwnTab):
    """Round glue tab."""

    kind: Literal["round"] = choice("Footprint: a disc.", "round")
    diameter_mm: float = number("Diameter of the glued face.", 3.0, 150.0)


class OvalTab(_OwnTab):
    """Oval glue tab."""

    kind: Literal["oval"] = choice("Footprint: an ellipse.")
    length_mm: float = number("Long axis of the glued face.", 3.0, 400.0)
    width_mm: float = number("Short axis of the glued face.", 3.0, 150.0)


class StripTab(_OwnTab):
    """Strip-shaped glue tab with square corners."""

    kind: Literal["strip"] = choice("Footprint: a rectangle.")
    length_mm: float = number("Length of the glued face.", 3.0, 400.0)
    width_mm: float = number("Width of the glued face.", 3.0, 150.0)


class RoundedTab(_OwnTab):
    """Rectangular glue tab with round corners."""

    kind: Literal["rounded-rectangle"] = choice("Footprint: a rectangle with round corners.")
    length_mm: float = number("Length of the glued face.", 3.0, 400.0)
    width_mm: float = number("Width of the glued face.", 3.0, 150.0)
    corner_mm: float = number("Radius of the corners, at most half the width.", 0.1, 75.0)


class BladeTab(_OwnTab):
    """Crease tab: a narrow blade glued on edge along a crease; it does not bend along itself."""

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


class OwnGlue(Part):
    """Glue described in the case file. Numbers left out are those of standard-hot-melt."""

    name: str = text(NAME)
    tension_MPa: float = number("Mean tension over the tab at which it lets go.", 0.05, 20.0)
    peel_MPa: float | None = number(
        "Largest tension at the tab's edge at which it starts to let go; absent: the standard's "
        "multiple of the mean.", 0.05, 50.0, None)
    shear_MPa: float | None = number("Mean shear over the tab at which it lets go.",
                                     0.05, 20.0, None)
    modulus_MPa: float | None = number("Young's modulus of the set glue.", 0.1, 5000.0, None)
    layer_mm: float | None = number("Thickness of the glue where it is thinnest.", 0.02, 10.0, None)
    coldest_C: float | None = number("Below this the strengths are not known.", -40.0, 60.0, None)
    reference_C: float | None = number("Up to here the strengths hold in full.", -40.0, 80.0, None)
    halves_at_C: float | None = number("Where half of them is left.", -40.0, 120.0, None)
    warmest_C: float | None = number("Above this the strengths are not known.", -40.0, 120.0, None)


Name = Annotated[str, Tag("<name>")]
TabChoice = Annotated[Name | Annotated[OwnTab, Tag("<own>")], Discriminator(name_or_own)]
TipChoice = Annotated[Name | Annotated[OwnTip, Tag("<own>")], Discriminator(name_or_own)]
GlueChoice = Annotated[Name | Annotated[OwnGlue, Tag("<own>")], Discriminator(name_or_own)]
