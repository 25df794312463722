"""Strike: one blow of a blunt body, pressed in until its place has a wanted depth after release."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.inspection.sampling import point_on, probe_at
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.contact.engagement import TipContact
from simkit.mechanics.model import State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.repair.workpiece import Workpiece
from simkit.tool.bodies import RigidBody, ball, block, flat_nose, rounded_cylinder

SETTINGS = AdvanceSettings(first_mm=0.2, largest_mm=0.25, goal_tolerance_mm=0.03)
"""The residual stress depends on the increments: after a strike with increments of 1 mm, a tap on
the crown lifts the middle by two thirds too much, with 0.25 mm by one sixth
(docs/verification/sensitivity.md)."""
SEARCH = AdvanceSettings(first_mm=0.3, largest_mm=1.0, goal_tolerance_mm=0.03, release_steps=0)
"""Settings for a search, which compares shapes only."""
KINDS = ("ball", "cylinder", "edge", "disc", "block")
"""Kinds of body, simplest first."""
FLAT = ("disc", "block")
"""Those with a flat face; their radius is that of the rim."""
SIZE_FIELDS = ("radius_mm", "length_mm", "width_mm")
"""Fields of a blow that are sizes: changed by factors, compared by their logarithms."""
FORCE_N = 2.0e4
"""Force limit, far above the force of a dent in a thin panel; it only bounds a search."""


@dataclass(frozen=True)
class Blow:
    """One strike.

    Attributes
    ----------
    kind : ball, cylinder, edge (a blade: a cylinder of small radius), disc (flat round face) or
        block (flat rectangular face).
    radius_mm : radius of the striking face; of a disc or block, radius of its rounded rim.
    x_mm, y_mm : place; depth_mm : deviation that it shall leave there after release. Negative: low,
        the outer face is struck; positive: high, the inner face is struck.
    travel_mm : travel of the body from first touch; if given, only the sign of ``depth_mm`` is
        used.
    angle_deg : direction of the body's length in the x, y plane.
    length_mm, width_mm : overall length of a cylinder or edge; diameter (width) of a disc; both of
        a block.
    tilt_along_deg, tilt_across_deg : inclination of the body and its travel from the normal,
        towards its length and across it.
    """

    kind: str
    radius_mm: float
    x_mm: float
    y_mm: float
    depth_mm: float
    angle_deg: float = 0.0
    length_mm: float = 0.0
    width_mm: float = 0.0
    tilt_along_deg: float = 0.0
    tilt_across_deg: float = 0.0
    travel_mm: float | None = None

    @property
    def inward(self) -> bool:
        """Whether the outer face is struck."""
        return self.depth_mm < 0.0

    @property
    def size_mm(self) -> tuple[float, float]:
        """Overall length and width, not less than 2.1 radii, which the rounding needs."""
        least = 2.1 * self.radius_mm
        return max(self.length_mm, least), max(self.width_mm, least)

    def body(self) -> RigidBody:
        """The rigid body that strikes."""
        length, width = self.size_mm
        if self.kind in ("cylinder", "edge"):
            return rounded_cylinder(self.radius_mm, length)
        if self.kind == "block":
            return block(length, width, self.radius_mm)
        if self.kind == "disc":
            return flat_nose(0.5 * width, self.radius_mm)
        return ball(self.radius_mm)

    def words(self) -> str:
        """Short description."""
        at = f"at ({self.x_mm:.0f}, {self.y_mm:.0f})"
        length, width = self.size_mm
        if self.kind == "ball":
            return f"a ball of {self.radius_mm:.0f} mm radius {at}"
        if self.kind == "disc":
            return f"a disc of {width:.0f} mm diameter, rim {self.radius_mm:.0f} mm, {at}"
        if self.kind == "block":
            return (f"a block of {length:.0f} x {width:.0f} mm, rim "
                    f"{self.radius_mm:.0f} mm, at {self.angle_deg:.0f} deg {at}")
        name = "an edge" if self.kind == "edge" else "a cylinder"
        return (f"{name} of {self.radius_mm:.0f} mm radius, {length:.0f} mm long, at "
                f"{self.angle_deg:.0f} deg {at}")


def set_body(work: Workpiece, state: State, blow: Blow, travel_mm: float) -> TipContact:
    """The body in first contact with the sheet, to be driven by up to ``travel_mm``."""
    place, normal = point_on(work.model, state, blow.x_mm, blow.y_mm)
    angle = np.radians(blow.angle_deg)
    along = np.array([np.cos(angle), np.sin(angle), 0.0])
    direction = -normal if blow.inward else normal
    across = np.cross(normal, along)
    direction = (direction + np.tan(np.radians(blow.tilt_along_deg)) * along
                 + np.tan(np.radians(blow.tilt_across_deg)) * across)
    direction /= np.linalg.norm(direction)
    return set_tip(work.model, state, blow.body(), place, direction, travel_mm, along)


def strike(work: Workpiece, state: State, blow: Blow,
           settings: AdvanceSettings = SETTINGS) -> Advance:
    """Press the body in, then release.

    A blow with a depth is pressed until its place has that depth after release; if the sheet would
    snap before that, to the largest travel before the snap.
    """
    if blow.travel_mm is not None:
        tool = set_body(work, state, blow, blow.travel_mm)
        return advance(work.model, state, Load(tool, blow.travel_mm, FORCE_N), settings)
    travel = 6.0 * abs(blow.depth_mm) + 15.0
    tool = set_body(work, state, blow, travel)
    probe = probe_at(work.model, blow.x_mm, blow.y_mm)
    done = advance(work.model, state, Load(tool, travel, FORCE_N, probe=probe,
                                           goal_mm=blow.depth_mm), settings)
    if done.outcome is not Outcome.WOULD_SNAP:
        return done
    # with a wide face the depth jumps by a snap: repeat with the travel of the last depth before it
    sign = -1.0 if blow.inward else 1.0
    deepest = max((point for point in done.path if np.isfinite(point.predicted_mm)),
                  key=lambda point: sign * point.predicted_mm, default=None)
    if deepest is None or not sign * deepest.predicted_mm > 0.0:
        return done
    return advance(work.model, state, Load(tool, deepest.travel_mm, FORCE_N), settings)
