"""The main lift: a true search two steps deep, every step of it solved.

While a dent is deep, fields do not add up and the sheet may snap. And the best lift goes past flush
and is tapped back, after which every measure first looks worse: only the second step shows it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from simkit.inspection.sampling import probe_at
from simkit.inspection.spots import Spot
from simkit.mechanics.outcome import Outcome
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.strategy.choice import lifting_kinds, tools_for

DEEP_MM = 0.5
PAST_MM = (0.2, 0.4)
FIRSTS, SECONDS = 2, 2
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
    reached = [pair for pair in firsts if pair[1].now.row.outcome == Outcome.REACHED.value]
    for operation, flush in reached[:FIRSTS]:
        for past in PAST_MM:
            after = solve(session, replace(operation, goal_mm=past))
            if after is None or after.now.row.snapped:
                break
            firsts.append((replace(operation, goal_mm=past), after))
            if after.now.row.left_mm2 > 4.0 * flush.now.row.left_mm2:
                break
    if not reached and firsts:
        halfway = replace(firsts[0][0], goal_mm=round(0.4 * _height(session, firsts[0][0]), 3))
        after = solve(session, halfway)
        firsts += [(halfway, after)] if after is not None else []
    firsts.sort(key=lambda pair: pair[1].now.row.left_mm2)
    lines = []
    for count, (operation, after) in enumerate(firsts):
        second, later = None, after.now.row.left_mm2
        followed = count < SECONDS or operation.goal_mm > 0.0
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
    """Lifts of the deepest low to flush with every tool that can be had there; the worst high
    tapped down."""
    spots = session.spots()
    for spot in [s for s in spots if s.kind == "low"][:1]:
        for kind in lifting_kinds(session, spot):
            for tool in tools_for(session, kind, spot):
                yield _at(spot, kind, tool, 0.0)
    for spot in [s for s in spots if s.kind == "high"][:1]:
        for tool in tools_for(session, "tap-down", spot)[:1]:
            yield _at(spot, "tap-down", tool, 0.0)


def _height(session: Session, operation: Operation) -> float:
    probe = probe_at(session.work.model, operation.x_mm, operation.y_mm)
    return probe.read(session.state.displacement)


def _seconds(after: Session, first: Operation) -> Iterator[Operation]:
    """What may follow a lift: the worst spot there is, and where it went past flush the tap back to
    just below it."""
    if first.goal_mm > 0.0:
        for tip in after.work.tips:
            yield Operation("tap-down", tip.name, first.x_mm, first.y_mm, -0.05, first.angle_deg)
    for spot in after.spots()[:1]:
        kinds = ["tap-down"] if spot.kind == "high" else lifting_kinds(after, spot)
        for kind in kinds[:1]:
            for tool in tools_for(after, kind, spot)[:2]:
                yield _at(spot, kind, tool, 0.0)


def _at(spot: Spot, kind: str, tool: str, goal_mm: float) -> Operation:
    return Operation(kind, tool, round(spot.x_mm, 3), round(spot.y_mm, 3), round(goal_mm, 3),
                     round(spot.angle_deg, 3))
