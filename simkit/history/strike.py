"""Strike: one blow of a blunt body, pressed in until the released place has a wanted depth."""

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
from simkit.tool.bodies import RigidBody, ball, block, rounded_cylinder

SETTINGS = AdvanceSettings(first_mm=0.2, largest_mm=0.25, goal_tolerance_mm=0.03)
"""Increments decide what is locked in: with 1 mm a tap on the crown later lifts the middle by two
thirds too much, with 0.25 mm by a sixth (docs/verification/sensitivity.md)."""
SEARCH = AdvanceSettings(first_mm=0.3, largest_mm=1.0, goal_tolerance_mm=0.03, release_steps=0)
"""For the search, which looks at shapes only."""
KINDS = ("ball", "cylinder", "edge", "block")
FORCE_N = 2.0e4
"""Far above what a dent in a thin panel takes; only keeps a fit from running away."""


@dataclass(frozen=True)
class Blow:
    """One strike.

    Attributes
    ----------
    kind : ball, cylinder, edge (a blade: a cylinder of small radius) or block (flat face).
    radius_mm : of the striking face; of a block, of its rounded rim.
    x_mm, y_mm : where it hits; depth_mm : deviation it shall leave there, released (negative:
        low; its sign is the side struck).
    travel_mm : travel of the body from first touch, where that is what counts; ``depth_mm`` then
        only says by its sign which face is struck.
    angle_deg : direction of the body's length in the plan; length_mm, width_mm : over all, of a
        cylinder or edge (length) and of a block (both).
    tilt_along_deg, tilt_across_deg : how the body and its travel lean from the normal, towards
        its length and across it.
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
        """Length and width over all, no less than the rounding takes."""
        least = 2.1 * self.radius_mm
        return max(self.length_mm, least), max(self.width_mm, least)

    def body(self) -> RigidBody:
        """The rigid body that strikes."""
        length, width = self.size_mm
        if self.kind in ("cylinder", "edge"):
            return rounded_cylinder(self.radius_mm, length)
        if self.kind == "block":
            return block(length, width, self.radius_mm)
        return ball(self.radius_mm)

    def words(self) -> str:
        """In a few words, for people."""
        at = f"at ({self.x_mm:.0f}, {self.y_mm:.0f})"
        length, width = self.size_mm
        if self.kind == "ball":
            return f"a ball of {self.radius_mm:.0f} mm radius {at}"
        if self.kind == "block":
            return (f"a block of {length:.0f} x {width:.0f} mm, rim "
                    f"{self.radius_mm:.0f} mm, at {self.angle_deg:.0f} deg {at}")
        name = "an edge" if self.kind == "edge" else "a cylinder"
        return (f"{name} of {self.radius_mm:.0f} mm radius, {length:.0f} mm long, at "
                f"{self.angle_deg:.0f} deg {at}")


def set_body(work: Workpiece, state: State, blow: Blow, travel_mm: float) -> TipContact:
    """The body brought to where it just touches the sheet, to be driven by up to ``travel_mm``."""
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
    """Press the body in as far as the blow goes, then release.

    A blow with a depth goes on until its place, released, has that depth; where the sheet would
    snap before, to the deepest travel before it.
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
    # a wide face leaves no more than so much before the sheet snaps; then the travel decides
    sign = -1.0 if blow.inward else 1.0
    deepest = max((point for point in done.path if np.isfinite(point.predicted_mm)),
                  key=lambda point: sign * point.predicted_mm, default=None)
    if deepest is None or not sign * deepest.predicted_mm > 0.0:
        return done
    return advance(work.model, state, Load(tool, deepest.travel_mm, FORCE_N), settings)
