"""Wedges: driven between panel and a brace behind it where no lever fits."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simkit.errors import InputError
from simkit.tool.bodies import RigidBody, block


@dataclass(frozen=True)
class Wedge:
    """A wedge whose slope slides on the brace, so that its face lies flat against the sheet.

    Attributes
    ----------
    name : as printed in tables. face_mm, width_mm : face that bears on the sheet, along and across
        the drive; nose_mm : rounding of its edges.
    edge_mm, thick_mm : thickness at the thin end and at the thick one; length_mm : between them.
    friction : coefficient on brace and sheet (no unit); drive_N : largest force along the drive.
    """

    name: str
    face_mm: float
    width_mm: float
    nose_mm: float
    edge_mm: float
    thick_mm: float
    length_mm: float
    friction: float
    drive_N: float

    def __post_init__(self) -> None:
        for key in ("edge_mm", "thick_mm", "length_mm", "drive_N"):
            if not 0.0 < getattr(self, key) < math.inf:
                raise InputError(f"wedge '{self.name}': {key} {getattr(self, key):g}",
                                 "a positive number", key=key)
        if not 0.0 <= self.friction < math.inf:
            raise InputError(f"wedge '{self.name}': friction {self.friction:g}", "zero or more",
                             key="friction")
        if self.thick_mm <= self.edge_mm:
            raise InputError(f"wedge '{self.name}': thick_mm {self.thick_mm:g}",
                             f"more than at its edge, {self.edge_mm:g} mm", key="thick_mm")
        if self.angle_rad + self.friction_rad >= 0.5 * math.pi:
            raise InputError(f"wedge '{self.name}': taper and friction leave no lift",
                             "a flatter taper or less friction", key="friction")
        self.body()

    @property
    def taper(self) -> float:
        """Rise per length driven in."""
        return (self.thick_mm - self.edge_mm) / self.length_mm

    @property
    def angle_rad(self) -> float:
        """Angle between slope and face."""
        return math.atan(self.taper)

    @property
    def friction_rad(self) -> float:
        """Angle of friction."""
        return math.atan(self.friction)

    @property
    def locks(self) -> bool:
        """Whether it stays in by friction: its angle is at most twice that of friction."""
        return self.angle_rad <= 2.0 * self.friction_rad

    @property
    def drive_per_lift(self) -> float:
        """Force along the drive over force on the sheet, while it is driven in.

        Statics of a wedge with friction on both faces: tan(angle + friction angle) on the slope,
        and the tangent of the friction angle on the flat face.
        """
        return math.tan(self.angle_rad + self.friction_rad) + math.tan(self.friction_rad)

    @property
    def lifts_N(self) -> float:
        """Largest force on the sheet."""
        return self.drive_N / self.drive_per_lift

    def rise_mm(self, clearance_mm: float) -> float:
        """Largest rise in a gap of this clearance between sheet and brace, mm.

        Raises
        ------
        InputError : a gap that its edge does not enter, or one that it does not fill.
        """
        if clearance_mm <= self.edge_mm:
            raise InputError(f"wedge '{self.name}' in a gap of {clearance_mm:.1f} mm",
                             f"more than its edge, {self.edge_mm:g} mm", key="tool")
        if clearance_mm >= self.thick_mm:
            raise InputError(f"wedge '{self.name}' in a gap of {clearance_mm:.1f} mm",
                             f"less than its thick end, {self.thick_mm:g} mm", key="tool")
        return self.thick_mm - clearance_mm

    def driven_mm(self, clearance_mm: float, rise_mm: float) -> float:
        """Length driven in, from the edge, for a rise in a gap of this clearance, mm."""
        return (clearance_mm - self.edge_mm + rise_mm) / self.taper

    def body(self) -> RigidBody:
        """Its face as a body."""
        return block(self.face_mm, self.width_mm, self.nose_mm)
