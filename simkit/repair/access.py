"""Access of a push to the inner face, by hand or by a rod through an opening, and its force.

The straight part of a rod extends from the centre of an opening, at the opening's depth behind the
panel, to a point behind the place, at a depth equal to the length of its hook. The rod is a lever
about the rim of the opening: the force at the place is the hand's force times the ratio of the
arms, limited by the bending strength of the rod. Braces and obstacles must leave space for it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.case import Case
from simkit.case.panel import Opening
from simkit.case.plan import on_panel
from simkit.case.tools import Rod
from simkit.errors import InputError

Array = NDArray[np.float64]
STEP_MM = 2.0
"""Distance of the points at which the space for a rod is checked."""
LOOK_MM, LOOK_FAR_MM = 10.0, 400.0
"""Step and largest radius of the search for the nearest place that can be reached."""


@dataclass(frozen=True)
class Way:
    """Access to a place of the inner face.

    Largest force at the place (N, infinite by hand), rod and opening (empty by hand), and minutes
    for removing and refitting the cover of the opening.
    """

    force_N: float = math.inf
    rod: str = ""
    opening: str = ""
    minutes: float = 0.0


def way_to(case: Case, x_mm: float, y_mm: float) -> Way | None:
    """The access with the largest force at a place; None if nothing reaches it."""
    if by_hand(case, x_mm, y_mm):
        return Way()
    ways = [Way(force, rod.name, opening.name, opening.refit_min)
            for opening, rod, force, _ in _tried(case, x_mm, y_mm) if force > 0.0]
    return max(ways, key=lambda way: way.force_N, default=None)


def need_way(case: Case, x_mm: float, y_mm: float) -> Way:
    """The access to a place.

    Raises
    ------
    InputError : nothing reaches it; the message gives the reason and the nearest place that can be
        reached.
    """
    way = way_to(case, x_mm, y_mm)
    if way is not None:
        return way
    what = f"push at x {x_mm:g} mm, y {y_mm:g} mm"
    reasons = list(dict.fromkeys(why for *_, why in _tried(case, x_mm, y_mm)))
    near = nearest_place(case, x_mm, y_mm)
    expected = ("a place that panel.behind.reach covers" if near is None
                else f"the nearest place that can be reached: x {near[0]:g} mm, y {near[1]:g} mm")
    raise InputError(what + (": " + "; ".join(reasons) if reasons else ""), expected,
                     key="panel.behind.openings" if reasons else "panel.behind.reach")


def by_hand(case: Case, x_mm: float, y_mm: float) -> bool:
    """Whether a hand with a push tool reaches a place."""
    reach = case.panel.behind.reach
    if isinstance(reach, str):
        return reach == "all"
    return any(bool(inside(part, np.array([x_mm]), np.array([y_mm]))[0]) for part in reach)


def nearest_place(case: Case, x_mm: float, y_mm: float) -> tuple[float, float] | None:
    """The nearest place that can be reached, on a grid of circles around a place; None if none."""
    count = int(LOOK_FAR_MM // LOOK_MM)
    for ring in range(1, count + 1):
        around = np.arange(8 * ring) * (2.0 * math.pi / (8 * ring))
        for angle in around:
            x = round(x_mm + ring * LOOK_MM * math.cos(angle), 1)
            y = round(y_mm + ring * LOOK_MM * math.sin(angle), 1)
            if on_panel(case.panel, x, y) and way_to(case, x, y) is not None:
                return x, y
    return None


def _tried(case: Case, x_mm: float, y_mm: float) -> Iterator[tuple[Opening, Rod, float, str]]:
    """Every rod with every opening: force at the place (zero if impossible), and the reason."""
    for opening in case.panel.behind.openings:
        for rod in case.kit.rods:
            force, why = lever(case, opening, rod, x_mm, y_mm)
            yield opening, rod, force, why


def lever(case: Case, opening: Opening, rod: Rod, x_mm: float, y_mm: float) -> tuple[float, str]:
    """Largest force of a rod at a place, N, by hand force, lever and bending; or 0 and the reason.

    The force across the rod is F = H b / a with the hand force H and the arms a to the place and b
    to the hand (the rest of the rod). The bending moment at the support is F a.
    """
    through = f"{rod.name} through {opening.name}"
    if rod.thickness_mm >= opening.width_mm or rod.hook_mm >= opening.length_mm:
        return 0.0, f"{through}: does not go in"
    # the straight part ends one hook length behind the panel, where the hook reaches the place
    across = math.hypot(x_mm - opening.x_mm, y_mm - opening.y_mm)
    arm = math.hypot(across, opening.depth_mm - rod.hook_mm)
    hand = rod.length_mm - arm
    if hand < rod.grip_mm:
        return 0.0, f"{through}: {arm:.0f} mm away, too short"
    blocked = _in_the_way(case, opening, rod, x_mm, y_mm)
    if blocked:
        return 0.0, f"{through}: {blocked} in the way"
    if arm < 1.0:
        return 0.0, f"{through}: no arm to lever"
    # bending stress of a round rod: F a / (pi d^3 / 32)
    bears = rod.bears_MPa * math.pi * rod.thickness_mm**3 / 32.0 / arm
    return min(case.limits.hand_force_N * hand / arm, bears), ""


def _in_the_way(case: Case, opening: Opening, rod: Rod, x_mm: float, y_mm: float) -> str:
    """Name of the part that obstructs the straight part of a rod; empty if none does."""
    span = math.hypot(x_mm - opening.x_mm, y_mm - opening.y_mm)
    share = np.linspace(0.0, 1.0, max(3, int(span / STEP_MM)))
    x = opening.x_mm + share * (x_mm - opening.x_mm)
    y = opening.y_mm + share * (y_mm - opening.y_mm)
    depth = opening.depth_mm + share * (rod.hook_mm - opening.depth_mm)
    half = 0.5 * rod.thickness_mm  # parts are enlarged by the radius of the rod
    for bed in case.panel.supports:  # the rod may pass between it and the panel, nowhere else
        if bool((inside(bed, x, y) & (depth + half > bed.gap_mm)).any()):
            return bed.name
    for one in case.panel.behind.obstacles:
        near, far = one.from_mm - half, one.to_mm + half
        if bool((inside(one, x, y) & (depth > near) & (depth < far)).any()):
            return one.name
    return ""


def inside(shape: object, x: Array, y: Array) -> NDArray[np.bool_]:
    """Whether places x, y are inside a disc or rectangle of the case."""
    dx, dy = x - shape.x_mm, y - shape.y_mm  # type: ignore[attr-defined]
    radius = getattr(shape, "radius_mm", None)
    if radius is not None:
        return np.asarray(np.hypot(dx, dy) <= radius)
    angle = math.radians(shape.angle_deg)  # type: ignore[attr-defined]
    along = dx * math.cos(angle) + dy * math.sin(angle)
    across = -dx * math.sin(angle) + dy * math.cos(angle)
    long, wide = shape.length_mm, shape.width_mm  # type: ignore[attr-defined]
    return np.asarray((np.abs(along) <= 0.5 * long) & (np.abs(across) <= 0.5 * wide))

