"""Candidate passes of a planner, evaluated with influence fields.

A pass over an area is one step. Each of its touches brings its place to a height, on the panel
after the touches before it; a place beyond that height is left out. With influence fields this is a
sum, so thousands of passes can be evaluated in a second. The best few are then computed with the
mechanics.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from simkit.repair.operations import Operation
from simkit.repair.passes import Spread
from simkit.repair.session import Session
from simkit.strategy.choice import LEAST_MM, face_mm, height_at, open_spots
from simkit.strategy.planner.candidates import borders, long_tools
from simkit.strategy.planner.influence import Library, Way
from simkit.strategy.planner.joint import left_of
from simkit.strategy.planner.yardstick import Yardstick

Array = NDArray[np.float64]
SIDES_MM = ((30.0, 0.0), (55.0, 0.0), (80.0, 0.0), (110.0, 0.0), (30.0, 30.0), (55.0, 30.0),
            (55.0, 55.0), (80.0, 30.0), (80.0, 60.0), (80.0, 80.0), (110.0, 60.0), (110.0, 110.0),
            (150.0, 110.0), (150.0, 150.0))
"""Lengths and widths of the areas that are tried."""
APART, LEAST_APART_MM = (1.0, 1.5), 14.0
"""Spacings of touches over the width of the tip's face, and smallest spacing: a touch of a small
tip moves more than its own width."""
MOST_TOUCHES, MOST_PLACES = 12, 64
"""Largest number of touches of a pass, each of which is computed like a step, and of its places,
most of which are beyond the height already."""
GOALS_MM = (-0.05, -0.025, 0.0, 0.025, 0.05)
"""Heights at which the touches of a pass end."""
LATTICE_MM = 4.0
"""Influence fields are shifted to places on a lattice of this step, their accuracy."""
PLACES = 3
"""Number of the worst spots that are centres of passes, besides the centre of the damage."""
POLISHED, ROUNDS = 8, 2
"""Number of the best passes that are varied in place, size and height; rounds of this variation."""
UNLIKE_MM = 15.0
"""Passes of one way whose centres have a smaller distance count as one."""


@dataclass(frozen=True)
class Sweep:
    """A pass and its predicted value of F."""

    operation: Operation
    left: float


def sweeps(session: Session, library: Library, parts: Array, aim: float, count: int,
           without: Collection[Way] = ()) -> list[Sweep]:
    """The passes with the smallest predicted F, at most ``count``, no two alike.

    parts : (3, n) present fields over their limits; without : ways that are left out.
    """
    panel = _Panel(session, library.yardstick, library, parts)
    found = [(one, way) for way in library.known if way.kind != "pull" and way not in without
             for operation in _passes_of(session, way)
             if (one := panel.sweep(way, operation, aim)) is not None]
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
    """A pass varied in one number after another as long as F falls."""
    for _ in range(ROUNDS):
        begin = best
        for number in range(len(_beside(best.operation))):
            other = _beside(best.operation)[number]
            one = panel.sweep(way, other, aim) if _reached(panel.session, other) else None
            if one is not None and one.left < best.left:
                best = one
        if best is begin:
            break
    return best


def _beside(op: Operation) -> list[Operation]:
    """Variations of a pass: height, place, size."""
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
    """Whether every touch is possible: on the panel and, for a push, within reach of a tool."""
    x0, x1, y0, y1 = borders(session)
    return all(x0 <= x <= x1 and y0 <= y <= y1
               and (operation.kind != "push" or session.work.reaches(x, y))
               for x, y, _ in operation.places())


def _unlike(one: Operation, other: Operation) -> bool:
    """Whether two passes differ in kind or tool, or clearly in place."""
    return ((one.kind, one.tool) != (other.kind, other.tool)
            or np.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm) > UNLIKE_MM)


def _passes_of(session: Session, way: Way) -> Iterator[Operation]:
    """Passes of one way over areas around the worst spots and around the centre of them all."""
    body = next(tip.body for tip in session.work.tips if tip.name == way.tool)
    turns = (0.0,) if way.tool in long_tools(session) else (0.0, 45.0)
    for x, y in _centres(session):
        for apart, turn, (length, width) in product(APART, turns, SIDES_MM):
            spread = Spread(length, max(apart * face_mm(body), LEAST_APART_MM), width)
            one = Operation(way.kind, way.tool, x, y, 0.0, way.angle_deg + turn, spread=spread)
            if 1 < spread.count <= MOST_PLACES and _reached(session, one):
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
    """Present fields over their limits, for the evaluation of passes."""

    def __init__(self, session: Session, yard: Yardstick, library: Library, parts: Array) -> None:
        self.session, self.yard, self.library, self.parts = session, yard, library, parts
        self._heights: dict[tuple[float, float], float] = {}
        self._nearest: dict[tuple[float, float], int] = {}

    def sweep(self, way: Way, operation: Operation, aim: float) -> Sweep | None:
        """A pass with its predicted F; None for a pass without touches or with too many."""
        now, touches, tolerance = self.parts, 0, self.yard.tolerance_mm
        for x, y, goal in operation.places():
            at = self._lattice(x, y)
            k = self._nearest[at]
            # now[0] is height over tolerance: add the change by the touches before.
            here = self._heights[at] + tolerance * (now[0, k] - self.parts[0, k])
            change = goal - here
            if change * way.sign < LEAST_MM:
                continue
            unit = self.library.parts(way, *at, self.session.now.field)
            touches += 1
            if unit is None or touches > MOST_TOUCHES:
                return None
            now = now + change * unit
        return Sweep(operation, left_of(now, aim)) if touches else None

    def _lattice(self, x: float, y: float) -> tuple[float, float]:
        at = LATTICE_MM * round(x / LATTICE_MM), LATTICE_MM * round(y / LATTICE_MM)
        if at not in self._heights:
            self._heights[at] = height_at(self.session, *at)
            self._nearest[at] = int(np.argmin((self.yard.x_mm - at[0]) ** 2
                                              + (self.yard.y_mm - at[1]) ** 2))
        return at
