"""Case-file blocks `dent` and `history`: the depth field and how the dent came about."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Discriminator, Tag

from simkit.case.base import Part, by_kind, choice, items, number, text
from simkit.case.blows import Body, GivenBlow
from simkit.case.files import CsvFile, ScanFile
from simkit.case.panel import X, Y

DEEPEST_MM = 60.0
"""Largest depth that is accepted; larger values are probably errors of unit."""
CROWN = "Height of the raised rim around it (0: none)."
SHAPE_ANGLE = "Angle from the x axis to its length, counter-clockwise seen from outside."


class Bowl(Part):
    """Bowl-shaped dent; elongated when length and width differ."""

    kind: Literal["bowl"] = choice("Sort of shape.")
    x_mm: float = number(X, -3000.0, 3000.0)
    y_mm: float = number(Y, -3000.0, 3000.0)
    depth_mm: float = number("Greatest depth, a positive number.", 0.05, DEEPEST_MM)
    length_mm: float = number("Size along its length, rim to rim.", 5.0, 1500.0)
    width_mm: float = number("Size across, rim to rim.", 5.0, 1500.0)
    angle_deg: float = number(SHAPE_ANGLE, -180.0, 180.0, 0.0)
    crown_mm: float = number(CROWN, 0.0, 10.0, 0.0)


class Crease(Part):
    """Long sharp dent with a line as its lowest place."""

    kind: Literal["crease"] = choice("Sort of shape.")
    x_mm: float = number(X, -3000.0, 3000.0)
    y_mm: float = number(Y, -3000.0, 3000.0)
    length_mm: float = number("Length of the crease.", 5.0, 1500.0)
    width_mm: float = number("Width across the crease, rim to rim.", 3.0, 500.0)
    depth_mm: float = number("Greatest depth, a positive number.", 0.05, DEEPEST_MM)
    angle_deg: float = number(SHAPE_ANGLE, -180.0, 180.0, 0.0)
    crown_mm: float = number(CROWN, 0.0, 10.0, 0.0)
    radius_mm: float | None = number(
        "Radius at the bottom of the crease (sharpness); absent: from depth and width.",
        0.5, 500.0, None)


class Place(Part):
    """A place on the panel."""

    x_mm: float = number(X, -3000.0, 3000.0)
    y_mm: float = number(Y, -3000.0, 3000.0)


class CreaseLine(Part):
    """Crease along any line."""

    kind: Literal["crease-line"] = choice("Sort of shape.")
    line: tuple[Place, ...] = items("Places it runs through, in order.", least=2)
    width_mm: float = number("Width across the crease, rim to rim.", 3.0, 500.0)
    depth_mm: float = number("Greatest depth, a positive number.", 0.05, DEEPEST_MM)
    radius_mm: float | None = number(
        "Radius at the bottom of the crease (sharpness); absent: from depth and width.",
        0.5, 500.0, None)


class High(Part):
    """High pushed out from inside, round or long."""

    kind: Literal["high"] = choice("Sort of shape.")
    x_mm: float = number(X, -3000.0, 3000.0)
    y_mm: float = number(Y, -3000.0, 3000.0)
    height_mm: float = number("Greatest height, a positive number.", 0.05, DEEPEST_MM)
    length_mm: float = number("Size along its length, rim to rim.", 5.0, 1500.0)
    width_mm: float = number("Size across, rim to rim.", 5.0, 1500.0)
    angle_deg: float = number(SHAPE_ANGLE, -180.0, 180.0, 0.0)


class Kink(Part):
    """The panel's edge bent in: deepest at the edge, running out into the panel."""

    kind: Literal["kink"] = choice("Sort of shape.")
    x_mm: float = number("Place on the edge, along x from the panel's origin.", -3000.0, 3000.0)
    y_mm: float = number("Place on the edge, along y from the panel's origin.", -3000.0, 3000.0)
    depth_mm: float = number("Depth at the edge, a positive number.", 0.05, DEEPEST_MM)
    width_mm: float = number("Width along the edge, rim to rim.", 3.0, 500.0)
    reach_mm: float = number("How far it runs into the panel.", 5.0, 1500.0)
    angle_deg: float = number(
        "Direction into the panel, from the x axis, counter-clockwise seen from outside.",
        -180.0, 180.0)
    radius_mm: float | None = number(
        "Radius at its bottom (sharpness); absent: from depth and width.", 0.5, 500.0, None)


Shape = Annotated[
    Annotated[Bowl, Tag("<bowl>")] | Annotated[Crease, Tag("<crease>")]
    | Annotated[CreaseLine, Tag("<crease-line>")] | Annotated[High, Tag("<high>")]
    | Annotated[Kink, Tag("<kink>")],
    Discriminator(by_kind),
]


class Section(Part):
    """Where one section of a profile gauge runs."""

    name: str = text("Name of the section in sections_csv.")
    line: tuple[Place, ...] = items(
        "Places it runs through, in order; s_mm counts from the first one.", least=2)


class HeightPlace(Part):
    """A place on the panel with its deviation."""

    x_mm: float = number(X, -3000.0, 3000.0)
    y_mm: float = number(Y, -3000.0, 3000.0)
    d_mm: float = number("Deviation there: low negative, high positive.", -DEEPEST_MM,
                         DEEPEST_MM)


class CrownOutline(Part):
    """Line along the top of a crown."""

    kind: Literal["crown"] = choice("Sort of line.")
    line: tuple[HeightPlace, ...] = items("Places along it, in order.", least=2)
    closed: bool = choice("Whether it runs back to its first place.", True)


class CreaseOutline(Part):
    """Line along the bottom (or top) of a crease; the field stays sharp across it."""

    kind: Literal["crease"] = choice("Sort of line.")
    line: tuple[HeightPlace, ...] = items("Places along it, in order.", least=2)
    closed: bool = choice("Whether it runs back to its first place.", False)
    radius_mm: float | None = number(
        "Radius across it at its sharpest place; absent: 8 mm, an assumption without source.",
        0.5, 200.0, None)


Outline = Annotated[
    Annotated[CrownOutline, Tag("<crown>")] | Annotated[CreaseOutline, Tag("<crease>")],
    Discriminator(by_kind),
]


def largest_of(shape: Bowl | Crease | CreaseLine | High | Kink) -> float:
    """Depth or height of a described shape, mm."""
    return shape.height_mm if isinstance(shape, High) else shape.depth_mm


UNIT = "Unit of its coordinates; must be given, and is never guessed."
Unit = Literal["mm", "m", "inch"]
Axis = Literal["+x", "-x", "+y", "-y", "+z", "-z"]
Outside = Literal["auto", "normals", "flipped", "+x", "-x", "+y", "-y", "+z", "-z"]


class ReferenceScan(Part):
    """Second scan, of the undamaged panel, taken as reference."""

    file: ScanFile = choice("Scan file; its name counts from this case file's folder.")
    unit: Unit | None = choice("Unit of its coordinates; absent: that of the dented scan.", None)
    mirrored: bool = choice("true: it shows the panel of the other side of the vehicle.", False)


class Scan(Part):
    """The dent as a scan: STL, PLY, OBJ, VTU, XYZ, CSV or NPY.

    The undamaged surface is fitted to the surroundings of the damage, or is a second scan. The
    scan is laid so that its deepest low comes to the stated place.
    """

    file: ScanFile = choice("Scan file; its name counts from this case file's folder.")
    unit: Unit | None = choice(UNIT, None)
    x_mm: float = number("Where the scan's deepest low lies on the panel: x.", -3000.0, 3000.0)
    y_mm: float = number("Where the scan's deepest low lies on the panel: y.", -3000.0, 3000.0)
    outside: Outside = choice(
        "Outer side: auto (by the normals, else so that the marks are lows), normals, flipped, or "
        "the axis of the file that points outward.", "auto")
    along: Axis | None = choice(
        "Axis of the file along which the panel's x runs; absent: the scan's longer side.", None)
    angle_deg: float = number(
        "Turn of the scan on the panel, counter-clockwise seen from outside.", -180.0, 180.0, 0.0)
    reference: ReferenceScan | None = choice(
        "Second scan as the undamaged reference; absent: fitted to the surroundings.", None)


class Dent(Part):
    """The dent as a depth field, or as the blows that made it. Without it: virgin panel.

    Either readings (points_csv, sections_csv with sections, outlines; all that are given count
    together), or one of grid_csv, scan, shapes, blows. Deviations are in mm along the outward
    normal of the undamaged panel: low is negative, high positive.
    """

    points_csv: CsvFile | None = choice(
        "CSV file of scattered measured points, columns x_mm, y_mm, d_mm; its name counts from "
        "this case file's folder.", None)
    sections_csv: CsvFile | None = choice(
        "CSV file of a profile gauge's readings, columns section, s_mm (length along the section's "
        "line), d_mm; its name counts from this case file's folder.", None)
    sections: tuple[Section, ...] | None = items("The lines of the sections in sections_csv.", None)
    outlines: tuple[Outline, ...] | None = items(
        "Lines drawn along crowns and creases, beside points or sections.", None)
    grid_csv: CsvFile | None = choice(
        "CSV file of deviations in mm on a rectangular grid: x along the first row, y down the "
        "first column; its name counts from this case file's folder.", None)
    scan: Scan | None = choice("A scan of the dented panel.", None)
    shapes: tuple[Shape, ...] | None = items(
        "Described shapes; their deviations are added (several: hail, bowl with crease).", None)
    natural: bool = choice(
        "true: described shapes are made natural. The panel takes the shape nearest to them that "
        "blows leave in it, without the stretch that a drawn shape may mean.", False)
    blows: tuple[GivenBlow, ...] | None = items(
        "Blows that made the dent, in their order; the panel is struck so and nothing has to be "
        "reconstructed.", None)
    noise_mm: float = number(
        "Standard error of one measured depth; the field is not followed closer than this.",
        0.0, 1.0, 0.02)

    def data_files(self) -> dict[tuple[str, ...], Path]:
        """Files named in this block, by their keys below it."""
        found: dict[tuple[str, ...], Path] = {}
        for key in ("points_csv", "sections_csv", "grid_csv"):
            file = getattr(self, key)
            if file is not None:
                found[(key,)] = file
        if self.scan is not None:
            found["scan", "file"] = self.scan.file
            if self.scan.reference is not None:
                found["scan", "reference", "file"] = self.scan.reference.file
        return found


class Striker(Part):
    """Blunt body whose blow is fitted to the depth field."""

    kind: Literal["any", Body] = choice(
        "Form of the striking body: any tries all; edge is a blade, disc a flat round face, block "
        "a flat rectangular one.", "any")
    radius_min_mm: float = number(
        "Smallest radius tried of balls and cylinders.", 1.0, 500.0, 5.0)
    radius_max_mm: float = number("Largest radius tried.", 1.0, 500.0, 80.0)


class History(Part):
    """How plastic strain and residual stress behind the measured dent are reconstructed."""

    method: Literal["strike", "imprint"] = choice(
        "strike: fit one blow by a blunt body, then close the rest; imprint: pull the surface "
        "onto the measured shape only (faster; it spreads the plastic strain too widely).",
        "strike")
    search: Literal["auto", "depth", "travel"] = choice(
        "depth: blows to a depth, compared with the field between readings, the rest closed by an "
        "imprint; travel: blows by their travel, compared at the readings, no imprint; auto: "
        "travel beyond 5 mm of depth.", "auto")
    blows: tuple[GivenBlow, ...] | None = items(
        "What is known of the blows, roughly, in their order; the search keeps to these and sets "
        "their numbers right. depth_mm: as read there.", None)
    side: Literal["outside", "inside"] = choice("Face that was struck.", "outside")
    match_mm: float = number(
        "Root-mean-square difference to the depth field at which the reconstruction stops.",
        0.001, 1.0, 0.03)
    rounds: int = number("Largest number of corrections.", 1, 50, 12)
    striker: Striker = choice("Bounds for the striking body (method strike).", Striker())
