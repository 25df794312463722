"""Case-file block `dent.blows`: a dent given by the blows that made it."""

from __future__ import annotations

from typing import Literal

from simkit.case.base import Part, choice, number
from simkit.case.panel import X, Y

LEAST_DEPTH_MM = 0.05
"""Least depth that a blow may be given by."""
Body = Literal["ball", "cylinder", "edge", "disc", "block"]
"""Forms of striking bodies."""
ENDS = ("depth_mm", "travel_mm", "energy_J")
"""Keys that say how far a blow goes; exactly one is given."""
SIZES = {"ball": (), "cylinder": ("length_mm",), "edge": ("length_mm",),
         "disc": ("width_mm",), "block": ("length_mm", "width_mm")}
"""Sizes a body needs beside its radius."""


class GivenBlow(Part):
    """One blow of a rigid blunt body, pressed in slowly along the panel's normal and taken away.

    Give the depth it leaves, or the travel of the body, or the energy it gives to the sheet.
    """

    body: Body = choice(
        "Form of the body: edge is a blade (a cylinder of small radius), disc a flat round face, "
        "block a flat rectangular one.")
    radius_mm: float = number(
        "Radius of the striking face; of a disc or a block, of its rounded rim.", 1.0, 500.0)
    length_mm: float | None = number(
        "Length over all of a cylinder, an edge or a block.", 2.0, 1500.0, None)
    width_mm: float | None = number(
        "Width over all of a block; diameter of a disc.", 2.0, 1500.0, None)
    x_mm: float = number(X, -3000.0, 3000.0)
    y_mm: float = number(Y, -3000.0, 3000.0)
    angle_deg: float = number(
        "Angle from the x axis to the body's length, counter-clockwise seen from outside.",
        -180.0, 180.0, 0.0)
    tilt_along_deg: float = number(
        "Lean of the body and its travel from the normal, towards its length.", -45.0, 45.0, 0.0)
    tilt_across_deg: float = number("The same, across its length.", -45.0, 45.0, 0.0)
    side: Literal["outside", "inside"] = choice(
        "Face that is struck: outside leaves a low, inside a high.", "outside")
    depth_mm: float | None = number(
        "Deviation left at (x, y) after release, a positive number: below the undamaged surface "
        "from outside, above it from inside.", LEAST_DEPTH_MM, 60.0, None)
    travel_mm: float | None = number("Travel of the body from first touch.", 0.05, 120.0, None)
    energy_J: float | None = number(
        "Work of the body on the sheet until it turns back, as of a fall taken up by the sheet "
        "alone, without inertia.", 0.001, 500.0, None)
