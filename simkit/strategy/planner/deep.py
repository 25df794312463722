"""The main lift: a true search two steps deep, every step of it solved.

While a dent is deep, fields do not add up and the sheet may snap. And the best lift goes past flush
and is tapped back, after which every measure first looks worse: only the second step shows it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from simkit.inspection.spots import Spot
from simkit.mechanics.outcome import Outcome
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.strategy.choice import lifting_kinds, tools_for

DEEP_MM = 0.5
PAST_MM = (0.15, 0.3, 0.5)
FIRSTS, SECONDS = 3, 4
"""So many lifts to flush are tried past flush, so many of all these are followed a step further."""
Solve = Callable[[Session, Operation], Session | None]


@dataclass(frozen=True)
class Line:
    """A first step and the best one after it: what each leaves beyond the limits, mm^2."""

    operation: Operation
    after: Session
    second: Operation | None
    left_mm2: float
    later_mm2: float


def search(session: Session, solve: Solve) -> list[Line]:
    """Lines from the worst low and the worst high, the one that leaves least first.

    Steps at which the sheet snaps are left out unless nothing else takes away a third.
    """
    firsts = [(op, after) for op in _lifts(session) if (after := solve(session, op)) is not None]
    firsts = _without_snaps(session, firsts)
    firsts.sort(key=lambda pair: pair[1].now.row.left_mm2)
    reached = [pair for pair in firsts
               if pair[1].now.row.outcome == Outcome.REACHED.value][:FIRSTS]
    for operation, _ in reached:
        for past in PAST_MM:
            further = Operation(operation.kind, operation.tool, operation.x_mm, operation.y_mm,
                                past, operation.angle_deg)
            after = solve(session, further)
            if after is None or after.now.row.snapped:
                break
            firsts.append((further, after))
    firsts.sort(key=lambda pair: pair[1].now.row.left_mm2)
    lines = []
    for count, (operation, after) in enumerate(firsts):
        second, later = None, after.now.row.left_mm2
        followed = count < SECONDS or (count < 2 * SECONDS and operation.goal_mm > 0.0)
        for follow in _seconds(after, operation) if followed else ():
            end = solve(after, follow)
            if end is not None and end.now.row.left_mm2 < later and not end.now.row.snapped:
                second, later = follow, end.now.row.left_mm2
        lines.append(Line(operation, after, second, after.now.row.left_mm2, later))
    return sorted(lines, key=lambda line: line.later_mm2)


def _without_snaps(session: Session, firsts: list[tuple[Operation, Session]]
                   ) -> list[tuple[Operation, Session]]:
    """Those at which the sheet does not snap, as long as one of them helps much."""
    calm = [pair for pair in firsts if not pair[1].now.row.snapped]
    helps = any(after.now.row.left_mm2 < 0.67 * session.now.row.left_mm2 for _, after in calm)
    return calm if helps else firsts


def _lifts(session: Session) -> Iterator[Operation]:
    """Lifts of the deepest low to flush and half-way, with every tool that can be had there; the
    worst high tapped down."""
    spots = session.spots()
    for spot in [s for s in spots if s.kind == "low"][:1]:
        for kind in lifting_kinds(session, spot):
            for tool in tools_for(session, kind, spot):
                yield from (_at(spot, kind, tool, goal) for goal in (0.0, 0.4 * spot.height_mm))
    for spot in [s for s in spots if s.kind == "high"][:1]:
        for tool in tools_for(session, "tap-down", spot)[:2]:
            yield _at(spot, "tap-down", tool, 0.0)


def _seconds(after: Session, first: Operation) -> Iterator[Operation]:
    """What may follow a lift: the worst spot there is, and where it went past flush the tap back to
    flush and just below."""
    tips = [tip.name for tip in after.work.tips]
    if first.goal_mm > 0.0:
        for tool in tips:
            for goal in (0.0, -0.1):
                yield Operation("tap-down", tool, first.x_mm, first.y_mm, goal, first.angle_deg)
    for spot in after.spots()[:1]:
        kinds = ["tap-down"] if spot.kind == "high" else lifting_kinds(after, spot)
        for kind in kinds:
            for tool in tools_for(after, kind, spot)[:2]:
                yield _at(spot, kind, tool, 0.0)


def _at(spot: Spot, kind: str, tool: str, goal_mm: float) -> Operation:
    return Operation(kind, tool, round(spot.x_mm, 3), round(spot.y_mm, 3), round(goal_mm, 3),
                     round(spot.angle_deg, 3))
