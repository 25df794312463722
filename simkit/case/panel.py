"""Case-file block `panel`: shape, sheet, edges, supports behind, where a tool reaches."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Discriminator, Tag

from simkit.case.base import (
    Part,
    by_shape,
    choice,
    items,
    number,
    text,
    word_or_block,
    word_or_list,
)
from simkit.case.files import CsvFile

X = "Position along x from the panel's origin, to the right."
Y = "Position along y from the panel's origin, upwards."
ANGLE = "Angle from the x axis to the long side, counter-clockwise seen from outside."


class SpringEdge(Part):
    """Edge held by elastic springs, as by a neighbouring panel or a seal."""

    spring_N_per_mm2: float = number(
        "Stiffness against displacement in every direction: force per mm of edge and mm of "
        "displacement.", 0.0, 1e6)
    rotation_N: float = number(
        "Stiffness against rotation about the edge: moment per mm of edge and radian "
        "(N mm / (mm rad) = N).", 0.0, 1e8, 0.0)


EdgeHold = Annotated[
    Annotated[Literal["held", "hinged", "free", "symmetric"], Tag("<word>")]
    | Annotated[SpringEdge, Tag("<block>")],
    Discriminator(word_or_block),
]
RoundEdgeHold = Annotated[
    Annotated[Literal["held", "hinged", "free"], Tag("<word>")]
    | Annotated[SpringEdge, Tag("<block>")],
    Discriminator(word_or_block),
]


class Edges(Part):
    """How each edge of a rectangle is held.

    held: neither moves nor turns; hinged: does not move, turns freely; free: nothing holds it;
    symmetric: mirror plane, the panel goes on in the same way behind it.
    """

    left: EdgeHold = choice("Edge at the smallest x.", "held")
    right: EdgeHold = choice("Edge at the largest x.", "held")
    bottom: EdgeHold = choice("Edge at the smallest y.", "held")
    top: EdgeHold = choice("Edge at the largest y.", "held")


class _Bed(Part):
    """What all spring beds behind the panel have in common."""

    shape: str = choice("Outline of the bed.")
    name: str = text("Name that messages and reports use, such as 'door beam'.")
    x_mm: float = number(X, -3000.0, 3000.0)
    y_mm: float = number(Y, -3000.0, 3000.0)
    stiffness_N_per_mm3: float = number(
        "Pressure per mm of approach (N/mm^2 per mm): about 0.01 soft foam, 1 hard rubber, "
        "100 solid backing (rough figures; common practice, no source).", 1e-6, 1e4)
    gap_mm: float = number("Free gap before the panel touches it.", 0.0, 50.0, 0.0)
    bonded: bool = choice("true: it also pulls (glued or welded); false: it only pushes.", False)
    bent_with_panel: bool = choice(
        "true: what made the dent bent it along. It does not act while the dent is made, and then "
        "follows the dented surface, by its gap behind it and without force.", False)


class RectangleSupport(_Bed):
    """Spring bed on a rectangle."""

    shape: Literal["rectangle"] = choice("Outline of the bed.")
    length_mm: float = number("Long side.", 1.0, 3000.0)
    width_mm: float = number("Short side.", 1.0, 3000.0)
    angle_deg: float = number(ANGLE, -180.0, 180.0, 0.0)


class DiscSupport(_Bed):
    """Spring bed on a disc."""

    shape: Literal["disc"] = choice("Outline of the bed.")
    radius_mm: float = number("Radius of the disc.", 0.5, 1500.0)


class LineSupport(_Bed):
    """Spring bed along a line, such as a bead of adhesive or the flange of a brace."""

    shape: Literal["line"] = choice("Outline of the bed.")
    length_mm: float = number("Length of the line.", 1.0, 3000.0)
    width_mm: float = number("Width over which the line bears.", 0.5, 100.0, 5.0)
    angle_deg: float = number(ANGLE, -180.0, 180.0, 0.0)


Support = Annotated[
    Annotated[RectangleSupport, Tag("<rectangle>")]
    | Annotated[DiscSupport, Tag("<disc>")]
    | Annotated[LineSupport, Tag("<line>")],
    Discriminator(by_shape),
]


class ReachRectangle(Part):
    """Opening or area behind the panel that a push tool reaches."""

    x_mm: float = number(X, -3000.0, 3000.0)
    y_mm: float = number(Y, -3000.0, 3000.0)
    length_mm: float = number("Long side.", 1.0, 3000.0)
    width_mm: float = number("Short side.", 1.0, 3000.0)
    angle_deg: float = number(ANGLE, -180.0, 180.0, 0.0)


Reach = Annotated[
    Annotated[Literal["all", "none"], Tag("<word>")]
    | Annotated[tuple[ReachRectangle, ...], Tag("<list>")],
    Discriminator(word_or_list),
]


class Opening(Part):
    """Opening behind the panel through which a rod goes."""

    name: str = text("Name that messages and tables use, such as 'lamp hole'.")
    x_mm: float = number(X, -3000.0, 3000.0)
    y_mm: float = number(Y, -3000.0, 3000.0)
    length_mm: float = number("Long side.", 2.0, 3000.0)
    width_mm: float = number("Short side.", 2.0, 3000.0)
    angle_deg: float = number(
        ANGLE + " For pictures and sheets: a rod goes in at the middle.", -180.0, 180.0, 0.0)
    depth_mm: float = number(
        "Distance of the opening behind the panel's inner face.", 0.0, 500.0)
    refit_min: float = number(
        "Taking off what closes it and refitting that, once.", 0.0, 6000.0, 0.0)


class Obstacle(Part):
    """Bracket, motor or wall behind the panel that rods must pass; it does not hold the panel."""

    name: str = text("Name that messages use.")
    x_mm: float = number(X, -3000.0, 3000.0)
    y_mm: float = number(Y, -3000.0, 3000.0)
    length_mm: float = number("Long side.", 1.0, 3000.0)
    width_mm: float = number("Short side.", 1.0, 3000.0)
    angle_deg: float = number(ANGLE, -180.0, 180.0, 0.0)
    from_mm: float = number("Depth behind the inner face at which it begins.", 0.0, 500.0, 0.0)
    to_mm: float = number("Depth at which it ends.", 0.0, 2000.0, 2000.0)


class Behind(Part):
    """What can be done from behind the panel."""

    reach: Reach = choice(
        "Where a push tool reaches the inner face: everywhere, nowhere, or inside the listed "
        "rectangles.", "all")
    openings: tuple[Opening, ...] = items(
        "Openings through which the rods of the kit reach further; for reach none or rectangles.",
        (), 0)
    obstacles: tuple[Obstacle, ...] = items("What stands in the rods' way.", (), 0)


class Rolling(Part):
    """Rolling direction of the sheet and its yield criterion."""

    angle_deg: float = number(
        "Angle from the x axis to the rolling direction, counter-clockwise seen from outside.",
        -180.0, 180.0, 0.0)
    criterion: Literal["of-grade", "mises", "hill48", "yld2000-2d", "yld2004-18p"] = choice(
        "Yield criterion: that of the grade; the same in all directions; Hill's of 1948 by "
        "r-values; Yld2000-2d or Yld2004-18p (closer to the yields in tension, less so in plane "
        "strain), fitted to yields and r-values the grade has.", "of-grade")
    r_0: float | None = number(
        "Own r-value along rolling (width over thickness strain); all three or none, for hill48.",
        0.05, 10.0, None)
    r_45: float | None = number("Own r-value at 45 degrees.", 0.05, 10.0, None)
    r_90: float | None = number("Own r-value across rolling.", 0.05, 10.0, None)


class ReversedTest(Part):
    """Own test in tension with reversals, whose fit replaces the grade's hardening and backstress.

    The grade still gives E, Poisson's ratio, density and the range of strain.
    """

    strip_csv: CsvFile = choice(
        "CSV file with the columns strain and stress_MPa: true strain without unit and true stress "
        "along the strip, pulled positive, in the order of the test.")
    terms: int = number("Number of backstress terms.", 1, 2, 1)


class FallingModulus(Part):
    """Young's modulus that falls with plastic strain; nothing is built in, since sources differ."""

    end_pct: float = number(
        "Modulus after much plastic strain, in per cent of that without.", 50.0, 100.0)
    at_1pct_pct: float = number(
        "Modulus at a plastic strain of 1 per cent, in per cent of that without; between end_pct "
        "and 100.", 50.0, 100.0)


class Panel(Part):
    """The undamaged panel. x runs to the right, y upwards, z outward, seen from outside.

    The plan (x, y) is where lengths, positions and the disc's radius are measured; curvature
    lifts the panel off the plan along z.
    """

    surface: Literal["flat", "curved", "measured"] = choice(
        "curved needs radius_x_mm, radius_y_mm or both; measured needs heights_csv.", "flat")
    outline: Literal["rectangle", "disc"] = choice("Outline in plan.", "rectangle")
    origin: Literal["centre", "corner"] = choice(
        "Where x = y = 0 lies and where a curved panel has its apex: the middle, or the lower "
        "left corner (for a quarter model with symmetric edges left and bottom).", "centre")
    length_x_mm: float | None = number("Rectangle: size along x, in plan.", 50.0, 3000.0, None)
    length_y_mm: float | None = number("Rectangle: size along y, in plan.", 50.0, 3000.0, None)
    radius_mm: float | None = number("Disc: radius in plan.", 25.0, 1500.0, None)
    radius_x_mm: float | None = number(
        "Radius of curvature of the section in the x-z plane, bulging outward; absent: "
        "straight.", 30.0, 1e5, None)
    radius_y_mm: float | None = number(
        "Radius of curvature of the section in the y-z plane, bulging outward; absent: "
        "straight.", 30.0, 1e5, None)
    heights_csv: CsvFile | None = choice(
        "CSV file of the undamaged surface's heights z in mm on a rectangular grid that covers the "
        "plan: x along the first row, y down the first column (as `simkit read SCAN --out` writes "
        "it); its name counts from this case file's folder.", None)
    thickness_mm: float = number("Sheet thickness without paint.", 0.3, 4.0)
    grade: str = text("Sheet grade; `simkit grades` lists them.")
    prestrain: float = number(
        "Equivalent plastic strain from forming the panel (true strain).", 0.0, 0.3, 0.0)
    bake_MPa: float = number(
        "Rise of the yield stress in the paint oven; leave out for grades named -baked.",
        0.0, 150.0, 0.0)
    flow_stress_pct: float = number(
        "Flow stress in per cent of the grade's: batches of one grade differ.",
        70.0, 140.0, 100.0)
    reversed_test: ReversedTest | None = choice(
        "Own test with reversed loading (docs/hardening.md).", None)
    modulus_fall: FallingModulus | None = choice(
        "Fall of Young's modulus with plastic strain (docs/hardening.md); absent: it stays.", None)
    rolling: Rolling = choice("Rolling direction of the sheet.", Rolling())
    edges: Edges = choice("Rectangle: how its four edges are held.", Edges())
    edge: RoundEdgeHold | None = choice("Disc: how its rim is held (absent: held).", None)
    supports: tuple[Support, ...] = items("Spring beds behind the panel.", (), 0)
    behind: Behind = choice("Access from behind.", Behind())
