"""What drives the tools of a kit: beams over several tabs, spreaders between two, hammers."""

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


def rig_checks(kit: Kit) -> Iterator[Complaint]:
    """Rigs and hammers with names of their own."""
    sorts: tuple[tuple[str, Sequence[OwnBeam | OwnSpreader | OwnHammer]], ...] = (
        ("beams", kit.beams), ("spreaders", kit.spreaders), ("hammers", kit.hammers))
    for sort, rigs in sorts:
        names = [rig.name for rig in rigs]
        for index, name in enumerate(names):
            if name in names[:index]:
                yield Complaint(("kit", sort, index, "name"), f"second '{name}'",
                                "a name of its own")
