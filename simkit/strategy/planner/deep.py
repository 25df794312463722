"""The main lift: a search of two steps in which every step is computed by the mechanics.

While a dent is deep, the changes of several operations cannot be added, and the sheet may snap. The
best lift often goes past flush and is tapped back; after the lift alone every measure is worse, so
two steps must be considered. Once a lift leaves the dent shallow, it is judged by the joint plan of
the rest.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from simkit.inspection.spots import Spot
from simkit.mechanics.outcome import Outcome
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import meets
from simkit.strategy.choice import height_at, kinds_for, lifting_kinds, tools_for
from simkit.strategy.planner.candidates import price_of, worst_places
from simkit.strategy.planner.held import held_rounds
from simkit.strategy.planner.joint import judged
from simkit.strategy.planner.mind import DEEP_MM, Mind, deepest_mm
from simkit.strategy.planner.refine import LEAST_GAIN, plan_from
from simkit.strategy.planner.words import Choice

SHIFTS_MM = (-0.15, 0.2, 0.4)
"""Other heights, below and past flush, to which the best lifts are tried."""
LIFTS_TRIED, LIFTS_FOLLOWED, LOOKED_AT = 1, 2, 5
"""Number of lifts to flush that are also tried to other heights; of lifts that leave the dent deep
and are followed by a second step; of other lifts that are judged by their plans."""
BULKY_MM, BULKY_TOOLS = 5.0, 2
"""Largest height above which only so many tools of each kind are tried, the best lift alone is
followed by a second step, with one tool of each kind, and no other heights are tried: some tenths
of a millimetre do not matter yet, and every solve of a large panel takes seconds."""
ROUND_GAIN = 0.02
"""Smallest share that a round with two hands must take away; it costs three steps."""
LONG = 1.6
"""Length over width above which a low is also lifted away from its middle."""
Tried = tuple[Operation, Session]


def lift(session: Session, mind: Mind, objective: str) -> list[Choice]:
    """Lifts of the deepest low and the tap of the worst high, each with an estimate of the rest.

    Steps in which the sheet snaps are left out if another one reduces left_mm2 by a third.
    """
    firsts = [(op, after) for op in _lifts(session)
              if (after := mind.solve(session, op)) is not None]
    firsts = _without_snaps(session, firsts)
    firsts.sort(key=_left)
    there = [pair for pair in firsts if _is_there(session, pair)]
    choices = [Choice(operation, after, _share(session, after), 0.0, None, 0, 0.0)
               for operation, after in there]
    # by minutes a pull and more steps may cost less than a push with its access
    least = min((after.now.row.minutes for _, after in there), default=np.inf)
    firsts = [pair for pair in firsts if pair[1].now.row.minutes < least]
    if there and (objective != "minutes" or not firsts):
        return choices
    if not any(_reaches(pair) and not pair[1].now.row.snapped for pair in firsts):
        choices += _held(session, mind, objective)
    firsts += _further(session, mind, firsts)
    firsts.sort(key=_left)
    shallow = [pair for pair in firsts if deepest_mm(pair[1]) <= DEEP_MM]
    deep = [pair for pair in firsts if deepest_mm(pair[1]) > DEEP_MM]
    choices += _judged(session, mind, shallow[:LOOKED_AT], objective)
    if all(choice.togo is None for choice in choices):
        followed = 1 if deepest_mm(session) > BULKY_MM else LIFTS_FOLLOWED
        choices += [_followed(session, mind, pair, objective) for pair in deep[:followed]]
    return [one for one in choices if min(one.merit, one.later) < 1.0 - LEAST_GAIN]


def _is_there(session: Session, pair: Tried) -> bool:
    """Whether a step reaches the next stage."""
    return meets(session.work.case.goal, session.stage_ahead, pair[1].now.row)


def _left(pair: Tried) -> float:
    return pair[1].now.row.left_mm2


def _share(session: Session, after: Session) -> float:
    """Square root of the ratio of left_mm2 after some steps to that before."""
    # left_mm2 is quadratic in the excess over the limits; the root makes the share linear in it
    return float(np.sqrt(after.now.row.left_mm2 / max(session.now.row.left_mm2, 1e-12)))


def _reaches(pair: Tried) -> bool:
    """Whether it is a lift that brings its place to its goal."""
    return pair[0].kind != "tap-down" and pair[1].now.row.outcome == Outcome.REACHED.value


def _held(session: Session, mind: Mind, objective: str) -> list[Choice]:
    """Rounds with two hands, judged by what they leave."""
    choices = []
    for (hold, loaded), *then in held_rounds(session, mind):
        end = then[-1][1]
        steps, cost = (_planned(end, mind, objective) if deepest_mm(end) <= DEEP_MM
                       else (None, None))
        kept = _share(session, end)
        if kept < 1.0 - ROUND_GAIN:
            choices.append(Choice(hold, loaded, kept, kept, None,
                                  None if steps is None else len(then) + steps, cost,
                                  then=tuple(then)))
    return choices


def _judged(session: Session, mind: Mind, shallow: list[Tried], objective: str) -> list[Choice]:
    """Lifts that leave the dent shallow, judged by the joint plan of the rest."""
    choices = []
    for operation, after in shallow:
        steps, cost = _planned(after, mind, objective)
        merit = _share(session, after)
        choices.append(Choice(operation, after, merit, merit, None, steps, cost))
    return choices


def _followed(session: Session, mind: Mind, pair: Tried, objective: str) -> Choice:
    """A lift with the best second step."""
    operation, after = pair
    second, end = None, after
    for follow in _seconds(after, operation):
        then = mind.solve(after, follow)
        if then is not None and not then.now.row.snapped and (
                then.now.row.left_mm2 < end.now.row.left_mm2):
            second, end = follow, then
    steps, cost = None, None
    if second is not None and deepest_mm(end) <= DEEP_MM:
        steps, cost = _planned(end, mind, objective)
        if steps is not None and cost is not None:
            steps += 1
            cost += end.now.row.minutes if objective == "minutes" else 1.0
    return Choice(operation, after, _share(session, after), _share(session, end), second, steps,
                  cost)


def _planned(after: Session, mind: Mind, objective: str) -> tuple[int | None, float | None]:
    """Operations of the joint plan of the rest and its cost, None if it is not complete.

    Each touch counts as a step: a plan made right after a lift is rough, and one of few touches is
    more reliable than one of few passes (decision 29).
    """
    yard = mind.yardstick(after)
    mind.measure(after, worst_places(after, yard, yard.read(after.now.field)))
    pool, plan = plan_from(after, mind, objective=objective)
    if not plan.complete:
        return None, None
    count = len(plan.candidates)
    return count, (judged(pool, plan, price_of(after, pool, objective))[1]
                   if objective == "minutes" else float(count))


def _further(session: Session, mind: Mind, firsts: list[Tried]) -> list[Tried]:
    """The best lifts to other heights; half-way if none reaches flush."""
    found = []
    reached = [pair for pair in firsts if _reaches(pair)]
    for operation, flush in reached[:LIFTS_TRIED]:
        if deepest_mm(flush) > BULKY_MM:
            continue
        for shift in SHIFTS_MM:
            other = replace(operation, goal_mm=shift)
            after = mind.solve(session, other)
            if after is None or after.now.row.snapped:
                continue
            found.append((other, after))
            # Far past flush already: a higher goal would leave still more.
            if shift > 0.0 and after.now.row.left_mm2 > 4.0 * flush.now.row.left_mm2:
                break
    if not reached and firsts:
        first = firsts[0][0]
        half = replace(first, goal_mm=round(
            0.4 * height_at(session, first.x_mm, first.y_mm), 3))
        after = mind.solve(session, half)
        found += [(half, after)] if after is not None else []
    return found


def _without_snaps(session: Session, firsts: list[Tried]) -> list[Tried]:
    """The steps without a snap if one of them reduces left_mm2 by a third; else all."""
    calm = [pair for pair in firsts if not pair[1].now.row.snapped]
    helps = any(after.now.row.left_mm2 < 0.67 * session.now.row.left_mm2 for _, after in calm)
    return calm if helps else firsts


def _lifts(session: Session) -> Iterator[Operation]:
    """Lifts of the deepest low to flush with every suitable tool, of a long low also away from its
    middle; and the worst high tapped down."""
    spots = session.spots()
    most = BULKY_TOOLS if deepest_mm(session) > BULKY_MM else None
    for spot in [s for s in spots if s.kind == "low"][:1]:
        kinds = lifting_kinds(session, spot)
        for kind in kinds:
            for tool in tools_for(session, kind, spot)[:most]:
                yield _at(spot, kind, tool, 0.0)
        if spot.long_mm > LONG * spot.short_mm:
            angle = np.radians(spot.angle_deg)
            for side in (-0.25, 0.25):
                x = spot.x_mm + side * spot.long_mm * np.cos(angle)
                y = spot.y_mm + side * spot.long_mm * np.sin(angle)
                for kind in kinds:
                    yield Operation(kind, tools_for(session, kind, spot)[0], round(float(x), 2),
                                    round(float(y), 2), 0.0, round(spot.angle_deg, 3))
    for spot in [s for s in spots if s.kind == "high"][:1]:
        for tool in tools_for(session, "tap-down", spot)[:1]:
            yield _at(spot, "tap-down", tool, 0.0)


def _seconds(after: Session, first: Operation) -> Iterator[Operation]:
    """Second steps after a lift: the worst spots and, after a lift past flush, the tap back to just
    below flush."""
    if first.goal_mm > 0.0:
        for tip in after.work.tips:
            yield Operation("tap-down", tip.name, first.x_mm, first.y_mm, -0.05, first.angle_deg)
    for spot in after.spots()[:2]:
        for kind in kinds_for(after, spot):
            for tool in tools_for(after, kind, spot)[:1 if deepest_mm(after) > BULKY_MM else 2]:
                yield _at(spot, kind, tool, 0.0)


def _at(spot: Spot, kind: str, tool: str, goal_mm: float) -> Operation:
    return Operation(kind, tool, round(spot.x_mm, 3), round(spot.y_mm, 3), round(goal_mm, 3),
                     round(spot.angle_deg, 3))
