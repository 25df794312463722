"""Fine work: a joint plan from influence fields, whose most important operations are computed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import meets
from simkit.strategy.choice import kinds_for, open_spots, operations_at
from simkit.strategy.planner.candidates import (
    lattice,
    make_pool,
    price_of,
    worst_places,
)
from simkit.strategy.planner.joint import (
    AIMED_SHARE,
    Plan,
    best_alone,
    by_weight,
    joint_plan,
    judged,
    left_of,
)
from simkit.strategy.planner.mind import Mind, largest_change, operation_of
from simkit.strategy.planner.pool import Pool
from simkit.strategy.planner.sweeps import sweeps
from simkit.strategy.planner.whole import plan_at, whole_plan
from simkit.strategy.planner.words import Choice
from simkit.strategy.planner.worked import worked_passes
from simkit.strategy.planner.yardstick import Yardstick

Array = NDArray[np.float64]
VERIFIED, ALONE, LAST_ALONE, SWEPT = 3, 1, 4, 1
"""Numbers of operations that are computed before one is taken: of a plan; of the best alone; of the
best alone near the end; of passes over a line or an area."""
ASTRAY = 0.1
"""Largest error of an influence field against the computed change, over the change; with a larger
one the plan is made again with the new field."""
MOST_JUDGED = 6
"""Number of computed operations that are judged by a plan of the rest."""
AIMS = (AIMED_SHARE, 0.7, 0.5)
"""Shares of the limits that are aimed at, one after the other until a step is found."""
NEAR, LAST_AIM = 1.3, 0.99
"""Largest excess over the limits below which the last steps are made, and the share of the limits
at which these aim."""
SAFE_AIM = 0.93
"""Second aim of the last steps, with a margin for the error of the sums."""
LEAST_GAIN = 0.005
"""Smallest relative reduction of F for which a step is worth taking."""


def refine(session: Session, mind: Mind, objective: str) -> list[Choice]:
    """The most important operations of the joint plan, computed; empty if none helps."""
    yard = mind.yardstick(session)
    parts = yard.read(session.now.field)
    worst = worst_places(session, yard, parts)
    mind.measure(session, worst)
    first = _aim_at(yard, parts)
    whole = whole_plan(session, mind, first, objective)
    if whole is not None and _ends_soon(session, whole):
        return [whole]
    for aim in (first, *AIMS):
        choices = _planned(session, mind, yard, worst, aim, objective)
        if choices:
            break
    return choices if whole is None else [whole, *choices]


def _ends_soon(session: Session, whole: Choice) -> bool:
    """Whether a whole plan of one or two passes reaches the next stage; if its first one is a pull,
    the others are still needed, in case the tab comes off."""
    return len(whole.then) <= 1 and whole.operation.kind != "pull" and meets(
        session.work.case.goal, session.stage_ahead, whole.end.now.row)


def _aim_at(yard: Yardstick, parts: Array) -> float:
    return LAST_AIM if float(yard.use(parts).max()) < NEAR else AIMED_SHARE


def plan_from(session: Session, mind: Mind, objective: str = "steps") -> tuple[Pool, Plan]:
    """Joint plan of a panel from the known influence fields, without new computations."""
    yard = mind.yardstick(session)
    return plan_at(session, mind, _aim_at(yard, yard.read(session.now.field)), objective)


def _planned(session: Session, mind: Mind, yard: Yardstick, worst: list[tuple[float, float]],
             aim: float, objective: str) -> list[Choice]:
    """Computed operations of a plan of all places and ways.

    The plan is made once more if its first computations differ too much from the prediction.
    """
    assert mind.library is not None
    parts, largest = yard.read(session.now.field), largest_change(session)
    before = left_of(parts, aim)
    if before <= 0.0:
        return []
    places = worst + lattice(session)
    solved: dict[Operation, Session] = {}
    for _ in range(2):
        pool = make_pool(session, mind.library, places)
        if not len(pool.ways):
            return []
        plan = joint_plan(parts, pool, largest, aim, price=price_of(session, pool, objective))
        off = 0.0
        for candidate, change in _worth_a_solve(parts, pool, plan, largest, aim):
            operation = operation_of(session, pool, candidate, change)
            after = mind.solve(session, operation)
            if after is not None and not after.now.row.snapped:
                solved[operation] = after
                real = yard.read(after.now.field) - parts
                wanted = change * pool.influence[candidate]
                # Relative error of the prediction in the norm over all places.
                off = max(off, float(np.linalg.norm(wanted - real) / np.linalg.norm(wanted)))
        if off < ASTRAY and solved:
            break
    further = [] if plan.complete else _at_worst(session)
    if not plan.complete or len(plan.candidates) > 1 or aim > AIMED_SHARE:
        further += [one.operation for one in sweeps(
            session, mind.library, parts, min(aim, SAFE_AIM), SWEPT, mind.bowing)]
        solved |= dict(worked_passes(session, mind, pool, min(aim, SAFE_AIM)))
    for operation in further:
        after = mind.solve(session, operation)
        if after is not None and not after.now.row.snapped:
            solved[operation] = after
    return _with_plans(session, yard, pool, solved, (before, largest, aim), objective)


def _worth_a_solve(parts: Array, pool: Pool, plan: Plan, largest: float, aim: float
                   ) -> list[tuple[int, float]]:
    """The most important operations of a plan, and those with the smallest F alone.

    More of the latter near the end, so that no step is lost by an error of the sums.
    """
    found = [(plan.candidates[number], plan.changes_mm[number])
             for number in by_weight(parts, pool, plan, aim)[:VERIFIED]]
    alone = LAST_ALONE if len(plan.candidates) <= 2 else ALONE
    for share in (aim, SAFE_AIM) if aim > AIMED_SHARE else (aim,):
        found += [one for one in best_alone(parts, pool, largest, share, alone)
                  if one not in found]
    return found


def _with_plans(session: Session, yard: Yardstick, pool: Pool, solved: dict[Operation, Session],
                how: tuple[float, float, float], objective: str) -> list[Choice]:
    """The computed operations that help, each with a plan of the rest."""
    before, largest, aim = how
    by_left = sorted(solved.items(),
                     key=lambda pair: left_of(yard.read(pair[1].now.field), aim))
    choices = []
    price = price_of(session, pool, objective)
    for operation, after in by_left[:MOST_JUDGED]:
        left = yard.read(after.now.field)
        now = left_of(left, aim)
        if now < (1.0 - LEAST_GAIN) * before or after.now.row.flat:
            ahead = joint_plan(left, pool, largest, aim, price=price)
            steps, then, leaves = judged(pool, ahead, price)
            choices.append(Choice(operation, after, now / before, leaves / before, None, steps,
                                  then))
    return choices


def _at_worst(session: Session) -> list[Operation]:
    """Operations that bring the worst spot to flush, with the best tool of each kind."""
    found: list[Operation] = []
    for spot in open_spots(session)[:1]:
        for kind in kinds_for(session, spot):
            found += operations_at(session, kind, spot)[:1]
    return found
