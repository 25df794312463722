"""A whole plan: a joint plan made from computed influence fields only, its passes carried out.

Fields that are moved to another place promise too much where they are wrong, and a plan picks just
those. Here each touch that a plan uses is computed, the plan is made again, and so on; the last one
uses computed touches only. Its touches are then carried out one after the other, all later changes
fitted again after each. A part of such a plan may make the panel worse until the rest is done.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.repair.session import Session
from simkit.repair.stages import meets
from simkit.strategy.planner.candidates import lattice, make_pool, price_of, worst_places
from simkit.strategy.planner.influence import Way
from simkit.strategy.planner.joint import (
    AIMED_SHARE,
    CLEAR,
    STEP_SHARE,
    Plan,
    by_weight,
    fit,
    joint_plan,
    judged,
    left_of,
)
from simkit.strategy.planner.mind import Mind, largest_change, operation_of
from simkit.strategy.planner.pool import Pool
from simkit.strategy.planner.words import Choice, Done
from simkit.strategy.planner.worked import in_one

ROUNDS = 6
"""Largest number of plans of which the touches are computed."""
AIMS = (AIMED_SHARE, 0.93, 0.99)
"""Shares of the limits at which a plan aims, until it is complete."""
RADII = (1.0, 0.3, 0.1)
"""Largest changes that are tried, over the usual one, if the panel does not do what a plan of
larger ones foresees."""
LEAST_MM = 0.006
"""Smallest change for which a touch is made."""
HELPS = 0.9
"""Share of F that a whole plan must leave at most; else smaller changes are tried."""
MOST_PASSES = 6
"""Largest number of passes of a plan that are carried out."""


@dataclass(frozen=True)
class Touch:
    """A way at a place."""

    way: Way
    x_mm: float
    y_mm: float


@dataclass(frozen=True)
class Settled:
    """A plan from computed influence fields: its pool and the share of the limits it aims at."""

    pool: Pool
    plan: Plan
    aim: float


def whole_plan(session: Session, mind: Mind, aim: float, objective: str = "steps"
               ) -> Choice | None:
    """The first pass of a whole plan, with those after it; None if no plan reduces F.

    The plan is cut after the pass that reaches the next stage, or else where each pass has helped
    most; if the hand has an error, after the first one, since the panel will not be the foreseen
    one then. aim : share of the limits at which F is measured.
    """
    yard = mind.yardstick(session)
    before = left_of(yard.read(session.now.field), aim)
    best: Choice | None = None
    for radius in RADII if before > 0.0 else ():
        settled = settled_plan(session, mind, radius * largest_change(session), objective)
        if settled is None:
            continue
        passes = _carried_out(session, mind, settled, radius)
        choice = _cut(session, mind, passes, (before, aim), objective)
        if choice is not None and (best is None or choice.merit < best.merit):
            best = choice
        if best is not None and best.merit < HELPS:
            break
    return best


def settled_plan(session: Session, mind: Mind, largest_mm: float, objective: str) -> Settled | None:
    """A plan of touches whose influence fields have been computed on this panel."""
    assert mind.library is not None
    yard = mind.yardstick(session)
    parts = yard.read(session.now.field)
    places = worst_places(session, yard, parts) + lattice(session)
    works: dict[Touch, bool] = {}
    for _ in range(ROUNDS):
        pool = make_pool(session, mind.library, places)
        settled = _planned(session, mind, pool, largest_mm, objective)
        new = [] if settled is None else [
            one for one in zip(settled.plan.candidates, settled.plan.changes_mm, strict=True)
            if _touch(pool, one[0]) not in works]
        for k, change in new:
            after = mind.solve(session, operation_of(session, pool, k, change))
            works[_touch(pool, k)] = after is not None and not after.now.row.snapped
        if not new:
            break
    pool = make_pool(session, mind.library, list(dict.fromkeys(
        (one.x_mm, one.y_mm) for one in works)))
    return _planned(session, mind, pool.some([
        k for k in range(len(pool.ways)) if works.get(_touch(pool, k))]), largest_mm, objective)


def _touch(pool: Pool, k: int) -> Touch:
    return Touch(pool.ways[k], float(pool.x_mm[k]), float(pool.y_mm[k]))


def _planned(session: Session, mind: Mind, pool: Pool, largest_mm: float, objective: str
             ) -> Settled | None:
    """The joint plan with the largest margin to the limits that is complete; None without touches.
    """
    if not len(pool.ways):
        return None
    parts = mind.yardstick(session).read(session.now.field)
    settled = None
    for aim in AIMS:
        settled = Settled(pool, joint_plan(parts, pool, largest_mm, aim,
                                           price=price_of(session, pool, objective)), aim)
        if settled.plan.complete:
            break
    return settled if settled is not None and settled.plan.candidates else None


def _carried_out(session: Session, mind: Mind, settled: Settled, radius: float) -> list[Done]:
    """The passes of a plan with the panel after each, those of the most important ways first."""
    pool, plan = settled.pool, settled.plan
    order = by_weight(mind.yardstick(session).read(session.now.field), pool, plan, settled.aim)
    change = {plan.candidates[k]: plan.changes_mm[k] for k in order}
    groups = _in_passes(pool, list(change))
    now, done = session, list[Done]()
    for count, group in enumerate(groups[:MOST_PASSES]):
        start, touches = now, list[Done]()
        for place, k in enumerate(group):
            if _there(session, now):
                break
            rest = [*group[place:], *(one for later in groups[count + 1:] for one in later)]
            change |= _refitted(now, mind, settled, {one: change[one] for one in rest}, radius)
            if abs(change[k]) < LEAST_MM:
                continue
            touch = operation_of(now, pool, k, change[k])
            after = mind.solve(now, touch)
            if after is not None and not after.now.row.snapped:
                touches.append((touch, after))
                now = after
        if touches:
            joined = touches[0] if len(touches) == 1 else in_one(start, touches)
            if joined is None:
                break
            done.append(joined)
            now = joined[1]
    return done


def _there(session: Session, now: Session) -> bool:
    """Whether a panel has reached the stage that the plan is made for; with a shaky hand a plan is
    worked to its end, because the margin is needed."""
    case = session.work.case
    return case.hand.exact and meets(case.goal, session.stage_ahead, now.now.row)


def _in_passes(pool: Pool, candidates: list[int]) -> list[list[int]]:
    """The touches of each way together, in the order of their first ones; each pull by itself."""
    groups: dict[object, list[int]] = {}
    for k in candidates:
        way = pool.ways[k]
        groups.setdefault((way, k) if way.kind == "pull" else way, []).append(k)
    return list(groups.values())


def _refitted(now: Session, mind: Mind, settled: Settled, change: dict[int, float],
              radius: float) -> dict[int, float]:
    """The changes of the touches still to make, fitted to the panel as it is, with a margin."""
    pool, keys = settled.pool, list(change)
    parts = mind.yardstick(now).read(now.now.field)
    assert mind.library is not None
    signs = pool.signs()[keys]
    fields = [mind.library.parts(pool.ways[k], float(pool.x_mm[k]), float(pool.y_mm[k]),
                                 now.now.field) for k in keys]
    unit = np.array(fields) * signs[:, None, None]
    fitted, _ = fit(parts, unit, np.abs(list(change.values())),
                    radius * largest_change(now), CLEAR * settled.aim)
    return dict(zip(keys, (fitted * signs).tolist(), strict=True))


def _cut(session: Session, mind: Mind, passes: list[Done], measure: tuple[float, float],
         objective: str) -> Choice | None:
    """The plan's passes up to the one that reaches the next stage, or has helped most for each."""
    before, aim = measure
    yard, goal = mind.yardstick(session), session.work.case.goal
    left = [left_of(yard.read(after.now.field), aim) / before for _, after in passes]
    if not left or min(left) >= 1.0:
        return None
    if not session.work.case.hand.exact:
        passes, left = passes[:1], left[:1]
        if left[0] >= 1.0:
            return None
    there = (k for k, (_, after) in enumerate(passes)
             if meets(goal, session.stage_ahead, after.now.row))
    usual = np.arange(len(left)) - np.log(np.maximum(left, 1e-9)) / np.log(STEP_SHARE)
    last = next(there, int(np.argmin(usual)))
    end = passes[last][1]
    reached = meets(goal, session.stage_ahead, end.now.row)
    steps, cost, later = (0, 0.0, 0.0) if reached else _rest(end, mind, aim, objective)
    operation, after = passes[0]
    return Choice(operation, after, left[last], later / before, passes[1][0] if last else None,
                  None if steps is None else last + steps, cost,
                  then=tuple(passes[1:last + 1]))


def _rest(end: Session, mind: Mind, aim: float, objective: str
          ) -> tuple[int | None, float, float]:
    """Steps of a joint plan after the passes, None if it is not complete, its cost and F."""
    pool, plan = plan_at(end, mind, aim, objective)
    return judged(pool, plan, price_of(end, pool, objective))


def plan_at(session: Session, mind: Mind, aim: float, objective: str) -> tuple[Pool, Plan]:
    """Joint plan of a panel from the known influence fields, without new computations."""
    yard = mind.yardstick(session)
    parts = yard.read(session.now.field)
    assert mind.library is not None
    pool = make_pool(session, mind.library,
                     worst_places(session, yard, parts) + lattice(session))
    if not len(pool.ways):
        return pool, Plan((), (), left_of(parts, aim))
    return pool, joint_plan(parts, pool, largest_change(session), aim,
                            price=price_of(session, pool, objective))
