"""Candidates of a planner: kinds of operation and tools of the kit, and places of the damage."""

from __future__ import annotations

from collections.abc import Collection, Iterator

import numpy as np

from simkit.inspection.measures import limit_use
from simkit.inspection.spots import find_spots
from simkit.repair.session import Session
from simkit.strategy.choice import open_spots
from simkit.strategy.planner.influence import Library, Way
from simkit.strategy.planner.pool import Pool, Price, usual_minutes
from simkit.strategy.planner.yardstick import Yardstick
from simkit.tool.times import operation_minutes

LATTICE_MM = 14.0
"""Distance of the places of the lattice over the damage."""
DAMAGED_LIMIT_SHARE = 0.5
"""Share of a limit above which a place counts as damaged."""
BESIDE_MM = 10.0
"""Distance from the steepest place to its foot and to its top, where it is worked."""
LONG = 1.5
"""Length over width above which a dent has a direction."""
MOST_PLACES = 90
"""Largest number of places of the lattice, the worst first."""
INSIDE_MM = 5.0
"""Smallest distance of touches from the edges of the field, unless an edge is free."""


def ways_of(session: Session) -> list[Way]:
    """All combinations of kind, tool and angle with the kit.

    Long tools are used along and across the first dent if that is long itself, else along x and y.
    """
    turns = _turns(session)
    long = long_tools(session)
    ways = [Way("pull", tab.name, angle) for tab in session.work.tabs
            for angle in (turns if tab.name in long else (0.0,))]
    for tip in session.work.tips:
        angles = turns if tip.name in long else (0.0,)
        ways += [Way(kind, tip.name, angle) for kind in ("tap-down", "push") for angle in angles]
    return ways


def long_tools(session: Session) -> set[str]:
    """Names of the tools whose angle matters."""
    return ({tab.name for tab in session.work.tabs if tab.length_mm != tab.width_mm}
            | {tip.name for tip in session.work.tips
               if getattr(tip.body, "half_length_mm", 0.0) > 0.0})


def _turns(session: Session) -> tuple[float, ...]:
    """Angles of long tools, degrees."""
    first = find_spots(session.steps[0].field, session.work.case.goal.limits[0])
    if first and first[0].long_mm > LONG * first[0].short_mm:
        along = round(first[0].angle_deg)
        # Second angle perpendicular to the first, within -90 to 90 degrees.
        return float(along), float(along - 90 if along > 0 else along + 90)
    return 0.0, 90.0


def price_of(session: Session, pool: Pool, objective: str) -> Price:
    """Cost of the candidates: one step each; or their minutes, with half of a change of tool, since
    not every step changes the tool, and the access from behind before the first push."""
    if objective != "minutes":
        return Price.of_steps(len(pool.ways))
    table = session.work.minutes
    each = np.array([
        operation_minutes(way.kind.replace("-", "_"), False, table) + 0.5 * table["tool_change"]
        for way in pool.ways])
    usual = usual_minutes(table)
    return Price(each, table["further_touch"] / usual,
                 0.0 if pushed(session) else table["access"], usual)


def pushed(session: Session) -> bool:
    """Whether there was a push from behind, whose access is paid for."""
    return any(step.row.operation == "push" for step in session.steps)


def worst_places(session: Session, yard: Yardstick, parts: np.ndarray
                 ) -> list[tuple[float, float]]:
    """Extremes of the worst spots, the worst place, and a place on either side of it along its
    slope."""
    places = [(spot.x_mm, spot.y_mm) for spot in open_spots(session)[:4]]
    worst = int(yard.use(parts).argmax())
    x, y = float(yard.x_mm[worst]), float(yard.y_mm[worst])
    places.append((x, y))
    slope = parts[1:, worst]
    steep = float(np.hypot(*slope))
    if steep > 1e-6:
        dx, dy = BESIDE_MM * slope / steep
        places += [(x + dx, y + dy), (x - dx, y - dy)]
    return [(round(px, 1), round(py, 1)) for px, py in places]


def lattice(session: Session) -> list[tuple[float, float]]:
    """Places of the damage on a regular lattice, the worst first."""
    goal, field = session.work.case.goal, session.now.field
    use = limit_use(field, *goal.limits, goal.slope_base_mm)
    window = session.work.window
    found = []
    for x in np.arange(window.x_from, window.x_to + 1e-9, LATTICE_MM):
        for y in np.arange(window.y_from, window.y_to + 1e-9, LATTICE_MM):
            near = use[np.ix_(np.abs(field.y_mm - y) <= LATTICE_MM,
                              np.abs(field.x_mm - x) <= LATTICE_MM)]
            worst = float(near.max()) if near.size else 0.0
            if worst > DAMAGED_LIMIT_SHARE:
                found.append((worst, round(float(x), 1), round(float(y), 1)))
    return [(x, y) for _, x, y in sorted(found, reverse=True)[:MOST_PLACES]]


def make_pool(session: Session, library: Library, places: list[tuple[float, float]],
              ways: Collection[Way] | None = None) -> Pool:
    """Candidates at the places, with the ways whose influence is known, or those given."""
    own = library.known if ways is None else ways
    found, xs, ys, influence = [], [], [], []
    for way, x, y in _allowed(session, own, places):
        parts = library.parts(way, x, y, session.now.field)
        if parts is not None:
            found.append(way)
            xs.append(x)
            ys.append(y)
            influence.append(parts)
    count = len(library.yardstick.x_mm)
    return Pool(tuple(found), np.array(xs), np.array(ys),
                np.array(influence, dtype=np.float32).reshape(-1, 3, count))


def _allowed(session: Session, ways: Collection[Way], places: list[tuple[float, float]]
             ) -> Iterator[tuple[Way, float, float]]:
    x0, x1, y0, y1 = borders(session)
    for x, y in dict.fromkeys(places):
        if not (x0 <= x <= x1 and y0 <= y <= y1):
            continue
        for way in ways:
            if way.kind != "push" or session.work.reaches(x, y):
                yield way, x, y


def borders(session: Session) -> tuple[float, float, float, float]:
    """Limits of the places of touches: x from, to, y from, to; with a margin at edges not free."""
    panel, field = session.work.case.panel, session.now.field
    ends = (*field.x_mm[[0, -1]], *field.y_mm[[0, -1]])
    sides = ("left", "right", "bottom", "top")
    x0, x1, y0, y1 = (
        float(end) + inwards * (0.0 if getattr(panel.edges, side) == "free" else INSIDE_MM)
        for end, side, inwards in zip(ends, sides, (1.0, -1.0, 1.0, -1.0), strict=True))
    return x0, x1, y0, y1
