"""Passes that a planner thinks of: their touches gone through by influence fields.

A pass over an area is one step. Each of its touches brings its place to a height, on the panel as
the touches before it left it, and leaves out a place that lies beyond it already; with influence
fields that is a sum, so that thousands of passes can be gone through in a second. The few that
leave least are solved for true.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simkit.repair.operations import Operation
from simkit.repair.passes import Spread
from simkit.repair.session import Session
from simkit.strategy.choice import LEAST_MM, face_mm, height_at, open_spots
from simkit.strategy.planner.influence import Library, Way
from simkit.strategy.planner.joint import left_of
from simkit.strategy.planner.yardstick import Yardstick

Array = NDArray[np.float64]
LENGTHS_MM, WIDTHS_MM = (30.0, 55.0, 80.0, 110.0), (0.0, 30.0, 60.0, 90.0)
"""Sides of the areas that are gone through."""
APART, LEAST_APART_MM = 1.0, 14.0
"""Spacing of touches over the width of the tip's face, and the narrowest: what a touch moves is
wider than a small tip."""
MOST_TOUCHES = 12
"""Touches of a pass: each is solved like a step."""
GOALS_MM = (-0.05, -0.025, 0.0, 0.025, 0.05)
"""Heights that the touches of a pass end at."""
LATTICE_MM = 4.0
"""Influence fields are moved to places of a lattice: finer they are not known."""
PLACES = 5
"""So many of the worst spots are centres of passes, besides the middle of the damage."""
POLISHED, ROUNDS = 8, 2
"""So many of the best are moved, stretched and ended higher or lower while that helps, in
so many rounds."""
UNLIKE_MM = 15.0
"""Passes of one way whose centres lie nearer to each other are taken for one."""


@dataclass(frozen=True)
class Sweep:
    """A pass and what it would leave beyond the limits."""

    operation: Operation
    left: float


def sweeps(session: Session, library: Library, parts: Array, aim: float, count: int
           ) -> list[Sweep]:
    """The passes that leave least by what is known, at most ``count``, no two alike.

    parts : (3, n) fields over their limits as they stand.
    """
    panel = _Panel(session, library.yardstick, library, parts)
    found = [(Sweep(operation, left_of(panel.after(way, operation), aim)), way)
             for way in library.known if way.kind != "pull"
             for operation in _passes_of(session, way)]
    found.sort(key=lambda pair: pair[0].left)
    best: list[tuple[Sweep, Way]] = []
    for one, way in found:
        if len(best) < POLISHED and all(_unlike(one.operation, two.operation) for two, _ in best):
            best.append((one, way))
    polished = sorted((_polished(panel, way, one, aim) for one, way in best),
                      key=lambda sweep: sweep.left)
    before = left_of(parts, aim)
    return [one for one in polished if one.left < before][:count]


def _polished(panel: _Panel, way: Way, best: Sweep, aim: float) -> Sweep:
    """A pass changed in one thing after another as long as that leaves less."""
    for _ in range(ROUNDS):
        begin = best
        for number in range(len(_beside(best.operation))):
            other = _beside(best.operation)[number]
            spread = other.spread
            assert spread is not None
            if spread.count > MOST_TOUCHES or spread.width_mm > spread.length_mm or not (
                    _reached(panel.session, other)):
                continue
            left = left_of(panel.after(way, other), aim)
            if left < best.left:
                best = Sweep(other, left)
        if best is begin:
            break
    return best


def _beside(op: Operation) -> list[Operation]:
    """The same pass ended higher or lower, moved, stretched."""
    spread = op.spread
    assert spread is not None
    found = [replace(op, goal_mm=round(op.goal_mm + by, 4)) for by in (-0.015, 0.015)]
    found += [replace(op, x_mm=op.x_mm + x, y_mm=op.y_mm + y)
              for x, y in ((-6.0, 0.0), (6.0, 0.0), (0.0, -6.0), (0.0, 6.0))]
    for by in (0.8, 1.25):
        found += [replace(op, spread=replace(spread, length_mm=round(by * spread.length_mm, 1))),
                  replace(op, spread=replace(spread, width_mm=round(by * spread.width_mm, 1)))]
    return found


def _reached(session: Session, operation: Operation) -> bool:
    """Whether every touch can be made: those from behind have to come there."""
    assert operation.spread is not None
    places = operation.spread.places(operation.x_mm, operation.y_mm, operation.angle_deg)
    return operation.kind != "push" or all(session.work.reaches(*at) for at in places)


def _unlike(one: Operation, other: Operation) -> bool:
    return ((one.kind, one.tool) != (other.kind, other.tool)
            or np.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm) > UNLIKE_MM)


def _passes_of(session: Session, way: Way) -> Iterator[Operation]:
    """Passes of one way over areas about the worst spots and the middle of all."""
    body = next(tip.body for tip in session.work.tips if tip.name == way.tool)
    spacing = max(APART * face_mm(body), LEAST_APART_MM)
    for x, y in _centres(session):
        for angle in dict.fromkeys((way.angle_deg, way.angle_deg + 45.0)
                                   if getattr(body, "half_length_mm", 0.0) == 0.0
                                   else (way.angle_deg,)):
            for length in LENGTHS_MM:
                for width in WIDTHS_MM:
                    spread = Spread(length, spacing, width)
                    if width > length or spread.count > MOST_TOUCHES:
                        continue
                    one = Operation(way.kind, way.tool, x, y, 0.0, angle, spread=spread)
                    if _reached(session, one):
                        yield from (replace(one, goal_mm=goal) for goal in GOALS_MM)


def _centres(session: Session) -> list[tuple[float, float]]:
    spots = open_spots(session)[:PLACES]
    if not spots:
        return []
    weights = np.array([spot.area_mm2 for spot in spots])
    middle = (float(np.dot([s.x_mm for s in spots], weights) / weights.sum()),
              float(np.dot([s.y_mm for s in spots], weights) / weights.sum()))
    places = [middle] + [(spot.x_mm, spot.y_mm) for spot in spots]
    return list(dict.fromkeys((round(x, 0), round(y, 0)) for x, y in places))


class _Panel:
    """Fields over their limits, on which passes are gone through."""

    def __init__(self, session: Session, yard: Yardstick, library: Library, parts: Array) -> None:
        self.session, self.yard, self.library, self.parts = session, yard, library, parts
        self._heights: dict[tuple[float, float], float] = {}
        self._nearest: dict[tuple[float, float], int] = {}

    def after(self, way: Way, operation: Operation) -> Array:
        """(3, n) fields after a pass, by what is known."""
        assert operation.spread is not None
        now, tolerance = self.parts.copy(), self.yard.tolerance_mm
        places = operation.spread.places(operation.x_mm, operation.y_mm, operation.angle_deg)
        for x, y in places:
            at = self._lattice(x, y)
            unit = self.library.parts(way, *at, self.session.now.field)
            if unit is None:
                break
            k = self._nearest[at]
            here = self._heights[at] + tolerance * (now[0, k] - self.parts[0, k])
            change = operation.goal_mm - here
            if change * way.sign >= LEAST_MM:
                now += change * unit
        return now

    def _lattice(self, x: float, y: float) -> tuple[float, float]:
        at = LATTICE_MM * round(x / LATTICE_MM), LATTICE_MM * round(y / LATTICE_MM)
        if at not in self._heights:
            self._heights[at] = height_at(self.session, *at)
            self._nearest[at] = int(np.argmin((self.yard.x_mm - at[0]) ** 2
                                              + (self.yard.y_mm - at[1]) ** 2))
        return at
