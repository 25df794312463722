"""A pass worked touch by touch: after each touch the panel is read and the next one is planned.

A technician who works over an area with one tool does not touch a regular grid: each touch goes
where the last one left the most. Each touch of such a pass is computed, its influence field is
kept, and the rest is planned again, so that errors of added influence fields do not add up. The
touches are then one operation at chosen places, and one step.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace

import numpy as np

from simkit.repair.operations import Operation
from simkit.repair.passes import touch_by_touch
from simkit.repair.session import Session
from simkit.repair.trials import remember
from simkit.strategy.choice import tried_out
from simkit.strategy.planner.candidates import lattice, make_pool, worst_places
from simkit.strategy.planner.influence import Way
from simkit.strategy.planner.joint import (
    TOUCHES_A_PASS,
    Pool,
    by_weight,
    joint_plan,
    left_of,
)
from simkit.strategy.planner.mind import Mind, largest_change, operation_of

WAYS = 2
"""Number of ways whose passes are worked."""
FAILED = 3
"""Number of touches that are not possible, or do not help, after which a pass ends."""
LEAST_GAIN = 0.03
"""Smallest relative reduction of F by a touch."""


def worked_passes(session: Session, mind: Mind, pool: Pool, aim: float
                  ) -> Iterator[tuple[Operation, Session]]:
    """Passes of the ways whose own joint plans leave least, each with the panel after it."""
    parts = mind.yardstick(session).read(session.now.field)
    plans = []
    for number, way in enumerate(dict.fromkeys(pool.ways)):
        if way.kind != "pull" and way not in mind.bowing:
            own = _some(pool, [k for k, one in enumerate(pool.ways) if one == way])
            plan = joint_plan(parts, own, largest_change(session), aim, TOUCHES_A_PASS)
            if len(plan.candidates) > 1:
                plans.append((plan.left, number, way))
    for _, _, way in sorted(plans)[:WAYS]:
        found = _worked(session, mind, way, aim)
        if found is not None:
            yield found


def _worked(session: Session, mind: Mind, way: Way, aim: float
            ) -> tuple[Operation, Session] | None:
    """The pass of one way and the panel after it; None for less than two touches.

    Every touch must reduce F: opposite touches that help only together can make a panel spring.
    """
    yard, now, done = mind.yardstick(session), session, list[tuple[Operation, Session]]()
    barred, left = set[tuple[float, float]](), left_of(yard.read(session.now.field), aim)
    while left > 0.0 and len(done) < TOUCHES_A_PASS and len(barred) < FAILED:
        touch = _next_touch(now, mind, way, aim, barred)
        if touch is None:
            break
        after = mind.solve(now, touch)
        then = np.inf if after is None or after.now.row.snapped else left_of(
            yard.read(after.now.field), aim)
        if after is None or then > (1.0 - LEAST_GAIN) * left:
            barred.add((touch.x_mm, touch.y_mm))
            continue
        now, left = after, then
        done.append((touch, after))
    return None if len(done) < 2 else _in_one(session, done)


def _in_one(session: Session, done: list[tuple[Operation, Session]]
            ) -> tuple[Operation, Session] | None:
    """Touches of one tool that were computed one after the other, as one pass."""
    first, *rest = (one for one, _ in done)
    joined = replace(first, further=tuple((one.x_mm, one.y_mm, one.goal_mm) for one in rest))
    results = (after.now.result for _, after in done if after.now.result is not None)
    # the same touches give the same results to the last bit: none is computed again
    remember(session.work, session.state, joined, touch_by_touch(
        session.state, joined.places(), lambda state, place: next(results)), quick=True)
    after = tried_out(session, joined, quick=True)
    return None if after is None else (joined, after)


def _next_touch(now: Session, mind: Mind, way: Way, aim: float,
                barred: Collection[tuple[float, float]]) -> Operation | None:
    """The touch of one way with the largest weight in a joint plan of its touches alone."""
    yard, library = mind.yardstick(now), mind.library
    assert library is not None
    parts = yard.read(now.now.field)
    pool = make_pool(now, library, [
        place for place in worst_places(now, yard, parts) + lattice(now) if place not in barred],
        (way,))
    if not len(pool.ways):
        return None
    plan = joint_plan(parts, pool, largest_change(now), aim, TOUCHES_A_PASS)
    if not plan.candidates:
        return None
    number = by_weight(parts, pool, plan, aim)[0]
    return operation_of(now, pool, plan.candidates[number], plan.changes_mm[number])


def _some(pool: Pool, own: list[int]) -> Pool:
    """Some of the candidates."""
    return Pool(tuple(pool.ways[k] for k in own), pool.x_mm[own], pool.y_mm[own],
                pool.influence[own])
