"""Common rules of all strategies: which spots are worth a step, and with which tool.

A strategy decides *where* to work next; the rules here decide *how*. They compute a few
alternatives on the simulated panel before one is taken. All rules are common practice, no source. A
shop can write its own order of work as another strategy and use these rules.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

import numpy as np
from scipy.ndimage import map_coordinates, maximum_filter

from simkit.errors import InputError
from simkit.inspection.measures import limit_use, slope_parts
from simkit.inspection.spots import SampledField, Spot, describe_spots, spot_labels
from simkit.mechanics.outcome import Outcome
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import excess

SLOPE_ONLY_TOLERANCE_SHARE = 0.15
"""Height of a spot over the tolerance above which it is worked while only the slope is too large.
"""
DEEP_MM = 0.5
"""Lows deeper than this are pulled, or pushed if the glue does not hold, and several heights are
tried. Shallower ones are pushed from behind where a tool reaches."""
LEAST_GAIN_SHARE = 0.005
"""Smallest share of the measure beyond the limits (left_mm2) that a step must remove."""
LEAST_MM = 0.004
"""Smallest distance of a place from its goal that is worth a step."""
BOWS_MM = 4.0
"""Travel of a tip at a shallow place above which it bends the whole panel instead of the place."""
TOOLS_TRIED, FLANKS, SURE = 3, 2, 2
"""Largest numbers of tools for a spot and of steep places that are tried; number of the best of the
quick computations that are computed completely."""


class Strategy(Protocol):
    """A rule for the next operation; a pure function of the session so far."""

    @property
    def name(self) -> str:
        """Name in case files and tables."""

    def next(self, session: Session) -> Operation | None:
        """The next operation, or None if none is worth a step."""


def open_spots(session: Session) -> list[Spot]:
    """Spots that keep the panel from its goal, the one farthest beyond its limits first.

    Spots beyond the tolerance; if there are none and only the slope is too large, smaller ones. The
    order is that of the largest height or slope over its limit, on a spot and just beside it.
    """
    goal, field = session.work.case.goal, session.now.field
    tolerance, limit = goal.limits
    if session.now.row.flat:
        return []
    use = limit_use(field, tolerance, limit, goal.slope_base_mm)
    for threshold in (tolerance, SLOPE_ONLY_TOLERANCE_SHARE * tolerance):
        labels = spot_labels(field, threshold)
        spots = describe_spots(field, labels)
        if spots:
            reach = [int(np.ceil(0.5 * goal.slope_base_mm / step)) for step in field.step_mm]
            uses = [_largest_beside(labels == spot.label, use, reach) for spot in spots]
            order = np.argsort(-np.array(uses), kind="stable")
            return [spots[k] for k in order]
    return []


def _largest_beside(mask: np.ndarray, use: np.ndarray, reach: list[int]) -> float:
    """Largest value of ``use`` on a mask enlarged by ``reach`` grid steps along x and y."""
    # A slope over the base is largest beside a spot, not on it.
    near = maximum_filter(mask, (2 * reach[1] + 1, 2 * reach[0] + 1))
    return float(use[near].max())


def flank(session: Session) -> Operation | None:
    """If no spot is worth a step: an operation at the steepest place; None if that is not worth a
    step either."""
    return best_of(session, flank_operations(session))


def flank_operations(session: Session, places: int = FLANKS) -> list[Operation]:
    """Operations at the steepest places, pushed at the foot or tapped at the top by a part of the
    height difference."""
    goal, field = session.work.case.goal, session.now.field
    along_x, along_y = slope_parts(field, goal.slope_base_mm)
    steep = np.nan_to_num(np.hypot(along_x, along_y))
    found = []
    for row, column in _apart(steep, field, places):
        slope = np.array([along_x[row, column], along_y[row, column]])
        size = float(np.hypot(*slope))
        if size <= goal.limits[1]:
            continue
        rise = 1e-3 * size * goal.slope_base_mm  # mrad times mm: height difference over the base
        for kind, side in (("push", -1.0), ("tap-down", 1.0)):
            x, y = (float(axis[k]) + side * 0.5 * goal.slope_base_mm * part / size
                    for axis, k, part in ((field.x_mm, column, slope[0]),
                                          (field.y_mm, row, slope[1])))
            for share in (0.25, 0.6):
                to = round(height_at(session, x, y) - side * share * rise, 3)
                found += [Operation(kind, tip.name, round(x, 1), round(y, 1), to)
                          for tip in session.work.tips
                          if kind == "tap-down" or session.work.reaches(x, y)]
    return found


def _apart(steep: np.ndarray, field: SampledField, count: int) -> list[tuple[int, int]]:
    """The steepest places, with at least 30 mm between them."""
    left, found = steep.copy(), []
    for _ in range(count):
        row, column = np.unravel_index(int(left.argmax()), left.shape)
        found.append((int(row), int(column)))
        left[np.hypot(field.y_mm[:, None] - field.y_mm[row],
                      field.x_mm[None, :] - field.x_mm[column]) < 30.0] = 0.0
    return found


def lifting_kinds(session: Session, spot: Spot) -> list[str]:
    """Ways to lift a low, the usual one first: deep ones pulled, shallow ones pushed."""
    work = session.work
    kinds = ["pull"] if work.tabs else []
    if work.tips and work.reaches(spot.x_mm, spot.y_mm):
        kinds.insert(0 if abs(spot.height_mm) < DEEP_MM else len(kinds), "push")
    return kinds


def kinds_for(session: Session, spot: Spot) -> list[str]:
    """Ways to work a spot, the usual one first: highs are tapped, lows lifted."""
    return ["tap-down"] if spot.kind == "high" else lifting_kinds(session, spot)


def operations_at(session: Session, kind: str, spot: Spot, goal_mm: float = 0.0
                  ) -> list[Operation]:
    """An operation at a spot with each of the tools that fit it best."""
    return [Operation(kind, tool, round(spot.x_mm, 3), round(spot.y_mm, 3), goal_mm,
                      round(spot.angle_deg, 3))
            for tool in tools_for(session, kind, spot)[:TOOLS_TRIED]]


def best_of(session: Session, operations: Iterable[Operation]) -> Operation | None:
    """The operation with the smallest left_mm2 afterwards, if it is worth a step; else None.

    They are ranked by quick computations; the first that is also worth a step when computed
    completely is taken.
    """
    goal, before = session.work.case.goal, session.now.row
    ranked = [(after.now.row.left_mm2, count, operation)
              for count, operation in enumerate(operations)
              if (after := tried_out(session, operation, quick=True)) is not None
              and done_at_all(after)]
    for left, _, operation in sorted(ranked, key=lambda item: item[:2])[:SURE]:
        # Ranked by left_mm2: all that follow are worse.
        if left > before.left_mm2:
            break
        after = tried_out(session, operation)
        if after is not None and done_at_all(after) and (
                after.now.row.left_mm2 < (1.0 - LEAST_GAIN_SHARE) * before.left_mm2
                or excess(goal, after.now.row) < 1.0):
            return operation
    return None


def done_at_all(after: Session) -> bool:
    """Whether the last step has a valid outcome."""
    return Outcome(after.now.row.outcome).valid


def tried_out(session: Session, operation: Operation, quick: bool = False) -> Session | None:
    """The session after an operation; None if it is not applicable.

    That is, if the place is at its goal already, if the tool does not fit the place, or if it only
    bends the whole panel.
    """
    try:
        here = height_at(session, operation.x_mm, operation.y_mm)
        way = operation.goal_mm - here
        towards = -way if operation.kind == "tap-down" else way
        if not operation.is_pass and towards < LEAST_MM:
            return None
        after = session.apply(operation, quick)
    except InputError:
        return None
    # a large travel at a shallow place bends the panel as a whole and leaves the spot as it is
    shallow = abs(here) < DEEP_MM and operation.kind in ("tap-down", "push")
    return None if shallow and after.now.row.travel_mm > BOWS_MM else after


def height_at(session: Session, x_mm: float, y_mm: float) -> float:
    """Deviation at a place x, y, by linear interpolation of the sampled field, mm."""
    now = session.now.field
    # map_coordinates takes indices of the grid, rows (y) first
    at = [[(y_mm - now.y_mm[0]) / now.step_mm[1]], [(x_mm - now.x_mm[0]) / now.step_mm[0]]]
    value = float(map_coordinates(now.d_mm, at, order=1, mode="nearest")[0])
    return value if np.isfinite(value) else 0.0


def tools_for(session: Session, kind: str, spot: Spot) -> list[str]:
    """Tools of the kit for a spot, best first: the widest that is not wider than the spot's short
    axis, then wider ones (more glue, more force), then narrower ones."""
    if kind == "pull":
        sized = sorted((tab.width_mm, tab.name) for tab in session.work.tabs)
    else:
        sized = sorted((face_mm(tip.body), tip.name) for tip in session.work.tips)
    fitting = [name for size, name in sized if size <= spot.short_mm]
    wider = [name for size, name in sized if size > spot.short_mm]
    first = fitting[-1:] or wider[:1]
    return first + [n for n in wider if n not in first] + [
        n for n in reversed(fitting) if n not in first]


def face_mm(body: object) -> float:
    """Width of a tip's face, core and nose together, mm."""
    core = max(getattr(body, "half_width_mm", 0.0), getattr(body, "core_radius_mm", 0.0))
    return 2.0 * (core + float(getattr(body, "nose_radius_mm", 0.0)))
