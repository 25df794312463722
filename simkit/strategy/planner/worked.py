"""A pass worked touch by touch: after each touch the panel is read and the next one is planned.

A technician who works over an area with one tool does not touch a regular grid: each touch goes
where the last one left the most. Each touch of such a pass is computed, its influence field is
kept, and the rest is planned again, so that errors of added influence fields do not add up. The
touches are then one operation at chosen places, and one step.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from simkit.repair.operations import Operation
from simkit.repair.passes import touch_by_touch
from simkit.repair.session import Session
from simkit.repair.trials import remember
from simkit.strategy.choice import tried_out
from simkit.strategy.planner.candidates import lattice, make_pool, worst_places
from simkit.strategy.planner.influence import Way
from simkit.strategy.planner.joint import (
    best_alone,
    by_weight,
    joint_plan,
    left_of,
)
from simkit.strategy.planner.mind import Mind, largest_change, operation_of
from simkit.strategy.planner.pool import TOUCHES_A_PASS, Pool
from simkit.strategy.planner.words import Done

WAYS = 2
"""Number of ways whose passes are worked."""
TRIED = 3
"""Number of touches that are tried before a pass ends: the best alone, the most important of a
plan."""
LEAST_GAIN = 0.01
"""Smallest relative reduction of F by a touch."""


def worked_passes(session: Session, mind: Mind, pool: Pool, aim: float) -> Iterator[Done]:
    """Passes of the ways whose own joint plans leave least, each with the panel after it."""
    parts = mind.yardstick(session).read(session.now.field)
    plans = []
    for number, way in enumerate(dict.fromkeys(pool.ways)):
        if way.kind != "pull" and way not in mind.bowing:
            own = pool.some([k for k, one in enumerate(pool.ways) if one == way])
            plan = joint_plan(parts, own, largest_change(session), aim, TOUCHES_A_PASS)
            if len(plan.candidates) > 1:
                plans.append((plan.left, number, way))
    for _, _, way in sorted(plans)[:WAYS]:
        found = _worked(session, mind, way, aim)
        if found is not None:
            yield found


def _worked(session: Session, mind: Mind, way: Way, aim: float) -> Done | None:
    """The pass of one way and the panel after it; None for less than two touches.

    Every touch must reduce F: opposite touches that help only together can make a panel spring.
    """
    yard, now, done = mind.yardstick(session), session, list[Done]()
    left = left_of(yard.read(session.now.field), aim)
    while left > 0.0 and len(done) < TOUCHES_A_PASS:
        for touch in _next_touches(now, mind, way, aim):
            after = mind.solve(now, touch)
            if after is None or after.now.row.snapped:
                continue
            then = left_of(yard.read(after.now.field), aim)
            if then <= (1.0 - LEAST_GAIN) * left:
                now, left = after, then
                done.append((touch, after))
                break
        else:
            break
    return None if len(done) < 2 else in_one(session, done)


def in_one(session: Session, done: list[Done]) -> Done | None:
    """Touches of one tool that were computed one after the other, as one pass."""
    first, *rest = (one for one, _ in done)
    joined = replace(first, further=tuple((one.x_mm, one.y_mm, one.goal_mm) for one in rest))
    results = (after.now.result for _, after in done if after.now.result is not None)
    # the same touches give the same results to the last bit: none is computed again
    remember(session.work, session.state, joined, touch_by_touch(
        session.state, joined.places(), lambda state, place: next(results)), quick=True)
    after = tried_out(session, joined, quick=True)
    return None if after is None else (joined, after)


def _next_touches(now: Session, mind: Mind, way: Way, aim: float) -> list[Operation]:
    """The touches of one way that promise most, alone and in a joint plan of this way's touches."""
    yard, library = mind.yardstick(now), mind.library
    assert library is not None
    parts, largest = yard.read(now.now.field), largest_change(now)
    pool = make_pool(now, library, worst_places(now, yard, parts) + lattice(now), (way,))
    if not len(pool.ways):
        return []
    found = best_alone(parts, pool, largest, aim, TRIED - 1)
    plan = joint_plan(parts, pool, largest, aim, TOUCHES_A_PASS)
    if plan.candidates:
        number = by_weight(parts, pool, plan, aim)[0]
        found.append((plan.candidates[number], plan.changes_mm[number]))
    return [operation_of(now, pool, k, change) for k, change in dict(found).items()]
