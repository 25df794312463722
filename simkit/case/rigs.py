"""What drives the tools of a kit: beams over tabs, spreaders between two, hammers; wedges."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Literal

from simkit.case.base import Part, choice, number, text
from simkit.case.reading import Complaint

if TYPE_CHECKING:
    from simkit.case.repair import Kit

NAME = "Name used in operations and tables."


class OwnBeam(Part):
    """Rigid beam over a row of equal tabs, drawn up by one screw in its middle."""

    name: str = text(NAME)
    tabs: int = number("Number of tabs.", 2, 6, 2)
    spacing_mm: float = number("Distance of neighbouring tabs, middle to middle.", 5.0, 500.0)
    way: Literal["rocking", "parallel", "even"] = choice(
        "rocking: hinged on the screw, it tilts until the tabs balance; parallel: guided, all tabs "
        "travel alike; even: a linkage that loads all tabs alike.", "rocking")


class OwnSpreader(Part):
    """Screw between two equal tabs that draws them apart along the sheet."""

    name: str = text(NAME)
    apart_mm: float = number("Distance of the two tabs, middle to middle.", 10.0, 1000.0)
    height_mm: float = number(
        "Height of the screw above the sheet. Estimate, no source.", 0.0, 100.0, 10.0)


class OwnHammer(Part):
    """Hammer for taps and pushes, or sliding weight of a slide hammer for pulls."""

    name: str = text(NAME)
    mass_g: float = number("Mass of the head, or of the sliding weight.", 5.0, 20000.0)
    tool_g: float = number(
        "Mass between it and the sheet, at rest before the blow: a punch held on the panel, the "
        "rod and tab of a slide hammer; 0: the hammer itself meets the sheet.", 0.0, 5000.0, 0.0)


class OwnWedge(Part):
    """Wedge that is driven between the panel and a brace or obstacle behind it."""

    name: str = text(NAME)
    face_mm: float = number("Face that bears on the sheet: length along the drive.", 2.0, 400.0)
    width_mm: float = number("Width of the face, across the drive.", 2.0, 200.0)
    nose_mm: float = number("Rounding of the face's edges.", 0.2, 20.0, 1.0)
    edge_mm: float = number("Thickness at the thin end.", 0.2, 100.0)
    thick_mm: float = number("Thickness at the thick end.", 0.5, 200.0)
    length_mm: float = number("Length between thin and thick end.", 5.0, 600.0)
    friction: float = number(
        "Coefficient of friction on brace and sheet (no unit). Estimate, no source.",
        0.0, 1.5, 0.2)
    drive_N: float = number(
        "Largest force along the drive, by hand or light blows. Estimate, no source.",
        5.0, 20000.0, 400.0)


def rig_checks(kit: Kit) -> Iterator[Complaint]:
    """Rigs, hammers and wedges with names of their own; wedges that taper and have a face."""
    sorts: tuple[tuple[str, Sequence[OwnBeam | OwnSpreader | OwnHammer | OwnWedge]], ...] = (
        ("beams", kit.beams), ("spreaders", kit.spreaders), ("hammers", kit.hammers),
        ("wedges", kit.wedges))
    tools = {tool if isinstance(tool, str) else tool.name for tool in (*kit.tabs, *kit.tips)}
    for index, wedge in enumerate(kit.wedges):
        if wedge.name in tools:
            yield Complaint(("kit", "wedges", index, "name"),
                            f"'{wedge.name}' names a tab or tip too", "a name of its own")
        if wedge.thick_mm <= wedge.edge_mm:
            yield Complaint(("kit", "wedges", index, "thick_mm"), f"{wedge.thick_mm:g} found",
                            f"expected more than at its edge, {wedge.edge_mm:g} mm")
        if 2.0 * wedge.nose_mm >= min(wedge.face_mm, wedge.width_mm):
            yield Complaint(("kit", "wedges", index, "nose_mm"), f"{wedge.nose_mm:g} found",
                            "expected less than half of face_mm and width_mm")
    for sort, rigs in sorts:
        names = [rig.name for rig in rigs]
        for index, name in enumerate(names):
            if name in names[:index]:
                yield Complaint(("kit", sort, index, "name"), f"second '{name}'",
                                "a name of its own")
